"""Skew of a pair from staggered readings of a motion that the test knows exactly."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from choreo.report.skew import pair_skews
from choreo.report.steps import step_rows

LEFT, RIGHT = 24576 / 5, -24576 / 5  # counts per mm; the right side counts the other way
MS = 1_000_000


def poll(journal, axis, scale, motion, t_ms, stagger_ms=0.0, age_us=400):
    """A reading that shows the axis as it was at the middle of the exchange."""
    at_ms = t_ms + stagger_ms
    journal.sample(round(at_ms * MS) + age_us * 500, axis, round(motion(at_ms) * scale), age_us)


def origin(journal, t_ns=0):
    for name in ("left", "right"):
        journal.write("move", t_ns, axis=name, anchor_counts=0)


def skew_of(journal):
    (skew,) = pair_skews(journal, step_rows(journal))
    return skew


def test_a_perfect_beam_at_speed_shows_no_skew_however_staggered_its_polls(recorded):
    """10 ms of stagger at 250 mm/s is 2.5 mm raw: practice.md P9 (common practice, no source)."""

    def fill(journal):
        origin(journal)
        for t_ms in range(0, 1000, 20):
            poll(journal, 0, LEFT, lambda t: 0.25 * t, t_ms)
            poll(journal, 1, RIGHT, lambda t: 0.25 * t, t_ms, stagger_ms=10)

    skew = skew_of(recorded(fill))
    assert skew.worst == pytest.approx(0.0, abs=0.001)
    assert skew.readings == 49  # the first reading of the left side has none of the right before it


def test_the_worst_skew_is_found_with_its_time_and_step(recorded):
    def fill(journal):
        origin(journal)
        journal.write("step_begin", 300 * MS, step=2)
        for t_ms in range(0, 1000, 20):
            poll(journal, 0, LEFT, lambda t: 0.25 * t, t_ms)
            poll(journal, 1, RIGHT, lambda t: 0.25 * t - (0.9 if 395 < t < 445 else 0.2), t_ms, stagger_ms=5)

    skew = skew_of(recorded(fill))
    assert skew.worst == pytest.approx(0.9, abs=0.001)
    assert 400 * MS <= skew.t_ns <= 445 * MS
    assert (skew.step, skew.unit) == ("3", "mm")
    # each reading may be 0.2 ms earlier or later; at 250 mm/s both sides leave 2 x 0.05 mm open
    assert skew.uncertainty == pytest.approx(0.1, rel=0.01)


def test_before_any_move_skew_counts_from_where_the_sides_were_found(recorded):
    def fill(journal):
        for t_ms in range(0, 400, 20):
            poll(journal, 0, LEFT, lambda t: 500.0, t_ms)
            poll(journal, 1, RIGHT, lambda t: 700.0 - (0.4 if t > 200 else 0), t_ms, stagger_ms=2)

    assert skew_of(recorded(fill)).worst == pytest.approx(0.4, abs=0.001)


def test_homing_begins_a_new_count(recorded):
    def fill(journal):
        for t_ms in range(0, 400, 20):
            poll(journal, 0, LEFT, lambda t: 500.0, t_ms)
            poll(journal, 1, RIGHT, lambda t: 700.0, t_ms, stagger_ms=2)
        for axis in ("left", "right"):
            journal.write("command", 410 * MS, axis=axis, verb="home_at")
        for t_ms in range(420, 800, 20):
            if t_ms == 480:  # the record comes when the axes were seen to stand, the new count with the command before
                for axis in ("left", "right"):
                    journal.write("homed", t_ms * MS, axis=axis)
                origin(journal, t_ms * MS)
            poll(journal, 0, LEFT, lambda t: -8.0, t_ms)
            poll(journal, 1, RIGHT, lambda t: -8.3, t_ms, stagger_ms=2)

    skew = skew_of(recorded(fill))
    assert skew.worst == pytest.approx(0.3, abs=0.001)
    assert skew.t_ns > 410 * MS
    assert skew.step == ""


def test_a_side_that_was_not_read_for_a_while_is_not_guessed(recorded):
    def fill(journal):
        origin(journal)
        for t_ms in range(0, 2000, 20):
            poll(journal, 0, LEFT, lambda t: 0.0 if t < 1000 else 40.0, t_ms)
            if not 500 < t_ms < 1500:  # silent while the axis moved: a line across would show 20 mm and more
                poll(journal, 1, RIGHT, lambda t: 0.0 if t < 1000 else 40.0, t_ms, stagger_ms=2)

    assert skew_of(recorded(fill)).worst == pytest.approx(0.0, abs=0.001)


def test_a_pair_that_was_never_read_says_so(recorded):
    skew = skew_of(recorded(lambda journal: None))
    assert skew.worst is None
    assert skew.readings == 0


@given(
    speed=st.floats(-400, 400),
    true_skew=st.floats(-1.4, 1.4),
    stagger_ms=st.floats(0.5, 9.5),
    age_us=st.integers(100, 2000),
    period_ms=st.sampled_from([10, 20, 50]),
)
def test_at_any_steady_speed_the_skew_is_found(recorded, speed, true_skew, stagger_ms, age_us, period_ms):
    def fill(journal):
        origin(journal)
        for t_ms in range(0, 10 * period_ms, period_ms):
            poll(journal, 0, LEFT, lambda t: speed * t / 1000 + true_skew, t_ms, 0, age_us)
            poll(journal, 1, RIGHT, lambda t: speed * t / 1000, t_ms, stagger_ms, age_us)

    skew = skew_of(recorded(fill))
    assert skew.worst == pytest.approx(true_skew, abs=0.001)
    assert skew.uncertainty == pytest.approx(abs(speed) * age_us * 1e-6, rel=0.01, abs=0.001)
