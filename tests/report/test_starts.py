"""Start delays from readings of a motion computed by hand: 100 mm at 100 mm/s and 400 mm/s^2, a trapezoid."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from choreo.report.starts import profile_of, starts

AXES = [
    {"name": "left", "node": 11, "unit": "mm", "counts_per_unit": "4915.2", "pair": "beam"},
    {"name": "right", "node": 12, "unit": "mm", "counts_per_unit": "-4915.2", "pair": "beam"},
]
SCALES = {"left": 24576 / 5, "right": -24576 / 5, "lift": 32768 / 5}
INDEX = {"left": 0, "right": 1, "lift": 2}


def by_hand(t):
    """Distance after t seconds: 0.25 s up to 12.5 mm, 0.75 s at 100 mm/s, 0.25 s down."""
    if t <= 0:
        return 0.0
    if t <= 0.25:
        return 200 * t * t
    if t <= 1.0:
        return 12.5 + 100 * (t - 0.25)
    if t <= 1.25:
        return 100 - 200 * (1.25 - t) ** 2
    return 100.0


def move(journal, axis, t0, *, way=1, from_counts=0):
    journal.write(
        "move",
        t0,
        axis=axis,
        anchor_counts=0,
        from_counts=from_counts,
        target_counts=from_counts + round(way * 100 * SCALES[axis]),
        t0=t0,
        distance=str(way * 100),
        speed="100",
        acceleration="400",
        jerk=None,
    )


def watch(journal, axis, t0, delay_ms, *, way=1, from_counts=0, phase_ms=0.0, age_us=600):
    for number in range(100):
        at_ms = 20 * number + phase_ms
        gone = way * by_hand((at_ms - delay_ms) / 1000)
        counts = from_counts + round(gone * SCALES[axis])
        journal.sample(t0 + round(at_ms * 1e6) + age_us * 500, INDEX[axis], counts, age_us)


def trigger(journal, t0):
    journal.write("trigger", t0, axes=["left", "right"], frame="080#01", started_ns=t0)


def test_the_delay_of_each_axis_and_their_spread(recorded):
    t0 = 5_000_000_000

    def fill(journal):
        journal.write("step_begin", 4_900_000_000, step=2)
        trigger(journal, t0)
        for axis, delay, way in (("left", 3, 1), ("right", 11, 1), ("lift", 6.5, -1)):
            move(journal, axis, t0, way=way, from_counts=777)
            watch(journal, axis, t0, delay, way=way, from_counts=777, phase_ms=INDEX[axis] * 1.7)

    (start,) = starts(recorded(fill))
    assert start.step == "3"
    assert [axis.axis for axis in start.axes] == ["left", "right", "lift"]
    for axis, delay_ms in zip(start.axes, (3, 11, 6.5), strict=True):
        assert axis.delay_ns == pytest.approx(delay_ms * 1e6, abs=20_000)
        assert axis.uncertainty_ns == 300_000
        assert axis.readings > 30
    assert start.spread_ns == pytest.approx(8e6, abs=40_000)


@given(delay_ms=st.floats(0, 60), phase_ms=st.floats(0, 19))
def test_any_delay_is_found_whatever_the_phase_of_the_polls(recorded, delay_ms, phase_ms):
    def fill(journal):
        trigger(journal, 0)
        move(journal, "left", 0)
        watch(journal, "left", 0, delay_ms, phase_ms=phase_ms)

    (start,) = starts(recorded(fill))
    assert start.axes[0].delay_ns == pytest.approx(delay_ms * 1e6, abs=20_000)


def test_an_axis_that_never_moved_has_no_start_and_the_spread_needs_two(recorded):
    def fill(journal):
        trigger(journal, 0)
        move(journal, "left", 0)
        move(journal, "right", 0)
        watch(journal, "left", 0, 4)
        for number in range(100):
            journal.sample(number * 20_000_000, 1, 0, 400)

    (start,) = starts(recorded(fill))
    assert start.axes[1].delay_ns is None
    assert start.axes[1].readings == 0
    assert start.spread_ns is None


def test_the_declared_lag_of_the_position_loop_is_taken_off(recorded):
    def fill(journal):
        trigger(journal, 0)
        move(journal, "left", 0)
        watch(journal, "left", 0, 4 + 8)

    (start,) = starts(recorded(fill, axes=[dict(axis, lag_ns=8_000_000) for axis in AXES]))
    assert start.axes[0].delay_ns == pytest.approx(4e6, abs=20_000)


def test_readings_after_a_stop_or_of_the_next_move_do_not_count(recorded):
    """A search that ends early at its switch, then the way back."""

    def fill(journal):
        trigger(journal, 0)
        move(journal, "left", 0)
        for number in range(200):
            at_ms = 10 * number
            if at_ms == 1200:
                trigger(journal, at_ms * 1_000_000)
                move(journal, "left", at_ms * 1_000_000, way=-1, from_counts=round(32.5 * SCALES["left"]))
            there = by_hand(min(at_ms - 4, 450) / 1000)  # stands at 32.5 mm from 0.45 s on
            back = by_hand((at_ms - 1200 - 9) / 1000)
            journal.sample(at_ms * 1_000_000, 0, round((there - back) * SCALES["left"]), 0)

    first, second = starts(recorded(fill))
    assert first.axes[0].delay_ns == pytest.approx(4e6, abs=20_000)
    assert second.axes[0].delay_ns == pytest.approx(9e6, abs=20_000)


def test_each_move_belongs_to_its_own_trigger(recorded):
    second = 3_000_000_000

    def fill(journal):
        journal.write("step_begin", 0, step=2)
        trigger(journal, 0)
        move(journal, "left", 0)
        watch(journal, "left", 0, 2)
        trigger(journal, second)
        move(journal, "lift", second)
        watch(journal, "lift", second, 7)
        journal.write("step_end", second, step=2, outcome="done", taken_ns=1, polls=0, worst_reply_ns=None)
        move(journal, "right", second)  # outside of any step: set off by no trigger

    first, other = starts(recorded(fill))
    assert [axis.axis for axis in first.axes] == ["left"]
    assert [axis.axis for axis in other.axes] == ["lift"]
    assert other.axes[0].delay_ns == pytest.approx(7e6, abs=20_000)


@pytest.mark.parametrize(
    ("distance", "speed", "acceleration", "jerk", "seconds"),
    [
        ("600", "250", "800", "8000", 2.8125),  # practice.md, the demo machine: 0.4125 + 1.9875 + 0.4125 s
        ("-600", "250", "800", None, 2.7125),  # facts.md E1: 600/250 + 250/800
    ],
)
def test_a_move_record_is_enough_to_compute_its_profile_again(recorded, distance, speed, acceleration, jerk, seconds):
    def fill(journal):
        journal.write("move", 0, distance=distance, speed=speed, acceleration=acceleration, jerk=jerk)

    profile = profile_of(next(recorded(fill).of("move")))
    assert profile.duration == pytest.approx(seconds, abs=1e-12)
    assert profile.distance == float(distance)
