"""The figures of named parts, from journals written by hand: trapezoids whose positions can be computed in the head."""

from fractions import Fraction

import pytest

from choreo.report import summarise, summary_json
from choreo.report.text import report_lines

S = 1_000_000_000
LEFT, RIGHT, LIFT = 0, 1, 2
SCALE = {LEFT: Fraction(24576, 5), RIGHT: Fraction(-24576, 5), LIFT: Fraction(32768, 5)}


def counts(axis, position):
    return round(position * SCALE[axis])


def move(writer, axis, t_ns, distance, name, origin=0):
    """Speed 100 and ramps of 200 units: 0.5 s of ramp over 25, so a way of 100 takes 0.5 + 0.5 + 0.5 s."""
    start = counts(axis, origin)
    writer.write(
        "move", t_ns, axis=name, anchor_counts=0, from_counts=start, target_counts=start + counts(axis, distance),
        t0=t_ns, distance=distance, speed=100.0, acceleration=200.0, jerk=None,
    )  # fmt: skip


def where(t_s):
    """Of a way of 100, so long after its start: the ramps by hand."""
    if t_s <= 0.5:
        return 100 * t_s**2
    if t_s <= 1.0:
        return 25 + 100 * (t_s - 0.5)
    return 100 - 100 * (1.5 - t_s) ** 2 if t_s < 1.5 else 100


def begin(writer, t_ns, name="along", path="3"):
    writer.write("scope_begin", t_ns, name=name, path=path)


def end(writer, t_ns, taken_ns, name="along", path="3", outcome="done"):
    writer.write("scope_end", t_ns, name=name, path=path, outcome=outcome, taken_ns=taken_ns)


def test_range_time_and_deviation(recorded):
    """The lift is read 0.4 behind its profile at 0.75 s and on it elsewhere."""

    def run(writer):
        begin(writer, S)
        move(writer, LIFT, S, 100.0, "lift")
        for t_ms in range(0, 2000, 250):
            behind = 0.4 if t_ms == 750 else 0.0
            writer.sample(S + t_ms * 1_000_000, LIFT, counts(LIFT, where(t_ms / 1000) - behind), 0)
        end(writer, 3 * S, 2 * S)
        writer.sample(4 * S, LIFT, counts(LIFT, 500), 0)

    (row,) = summarise(recorded(run)).scopes
    assert (row.name, row.path, row.outcome, row.taken_ns) == ("along", "3", "done", 2 * S)
    (axis,) = row.axes
    assert (axis.axis, axis.unit) == ("lift", "mm")
    assert (axis.lowest, axis.highest) == pytest.approx((0, 100), abs=1e-3)
    assert axis.deviation == pytest.approx(0.4, abs=1e-3)
    assert row.pairs == ()
    assert row.spread_ns is None


def test_a_reading_is_an_interval(recorded):
    """At 100 mm/s a reading that is up to 10 ms old may be up to 1 mm behind: 1.2 mm behind is 0.2 mm off."""

    def run(writer):
        begin(writer, S)
        move(writer, LIFT, S, 100.0, "lift")
        writer.sample(S + 750_000_000, LIFT, counts(LIFT, 50 - 1.2), 10_000)
        end(writer, 3 * S, 2 * S)

    (row,) = summarise(recorded(run)).scopes
    assert row.axes[0].deviation == pytest.approx(0.2, abs=1e-3)


def test_the_skew_of_a_pair_that_moves(recorded):
    """The right side is 0.3 behind the left at one reading; before the part it was 5 behind."""

    def run(writer):
        for t_ms, behind in ((0, 5.0), (100, 5.0), (1000, 0.0), (1100, 0.3), (1200, 0.0), (1300, 0.0)):
            if t_ms == 1000:
                begin(writer, 950_000_000)
                move(writer, LEFT, 950_000_000, 100.0, "left")
                move(writer, RIGHT, 950_000_000, 100.0, "right")
            writer.sample(t_ms * 1_000_000, LEFT, counts(LEFT, 0), 0)
            writer.sample(t_ms * 1_000_000, RIGHT, counts(RIGHT, -behind), 0)
        end(writer, 2 * S, S)

    (row,) = summarise(recorded(run)).scopes
    (pair,) = row.pairs
    assert (pair.pair, pair.unit) == ("beam", "mm")
    assert pair.worst == pytest.approx(0.3, abs=1e-3)


def test_each_pass_has_a_row_and_one_that_never_ended_says_so(recorded):
    def run(writer):
        begin(writer, S, path="3 (1 of 2)")
        end(writer, 2 * S, S, path="3 (1 of 2)", outcome="failed")
        begin(writer, 2 * S, path="3 (2 of 2)")

    summary = summarise(recorded(run))
    assert [(row.path, row.outcome, row.taken_ns) for row in summary.scopes] == [
        ("3 (1 of 2)", "failed", S),
        ("3 (2 of 2)", "cut off", None),
    ]
    assert '"scopes": [' in summary_json(summary)
    text = "\n".join(report_lines(summary, 120))
    assert "Named parts" in text
    assert "3 (2 of 2)" in text


def test_without_any_nothing_is_said(recorded):
    summary = summarise(recorded(lambda writer: None))
    assert summary.scopes == ()
    assert "Named parts" not in "\n".join(report_lines(summary, 120))
