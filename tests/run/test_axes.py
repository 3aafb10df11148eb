"""Readings: unwrapped, brought to one instant, compared with a prediction, taken for standstill."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from choreo.drive.families import make_drive
from choreo.motion.profile import double_s
from choreo.run.axes import Axis, Motion
from choreo.run.watch.watchers import PairWatch
from tests.run.machine import DEMO, plan_of

MS = 1_000_000
SPAN = 2**32


def axis(name: str, span: int = SPAN) -> Axis:
    plan = plan_of(DEMO)
    chosen = next(axis for axis in plan.axes if axis.name == name)
    return Axis(chosen, make_drive(plan.dialects[chosen.dialect], chosen.node), span)


def pair() -> PairWatch:
    watch = PairWatch(plan_of(DEMO).pairs[0], axis("beam_left"), axis("beam_right"))
    watch.known = True
    return watch


@given(st.lists(st.integers(-(2**30), 2**30), min_size=1, max_size=30), st.integers(-(2**31), 2**31 - 1))
def test_unwrapped_counts_follow_the_true_ones_over_any_number_of_turns(steps: list[int], start: int):
    """The wire holds 32 bits; no step between two readings is longer than half of that."""
    one, true = axis("carriage"), start
    one.accept(start, 0, 1)
    for place, step in enumerate(steps, 1):
        true += step
        wire = (true + 2**31) % 2**32 - 2**31
        one.accept(wire, place, place + 1)
        assert one.counts == true


def test_stagger_between_the_sides_is_taken_off_the_skew():
    """practice.md P9: 10 ms of stagger at 250 mm/s is 2.5 mm of skew that is not there (common practice, no source)."""
    watch = pair()
    counts_per_mm = 4915.2
    for at_ms in (0, 20):
        for side, stagger, sign in ((watch.first, 0, 1), (watch.second, 10, -1)):
            at = (at_ms + stagger) * MS
            side.accept(round(sign * counts_per_mm * 0.25 * (at_ms + stagger)), at, at)
    raw = watch.first.position() - watch.second.position()
    assert raw == pytest.approx(-2.5, abs=0.001)
    assert watch.skew() == pytest.approx(0.0, abs=0.001)


def test_a_true_skew_stays():
    watch = pair()
    for at_ms in (0, 20):
        watch.first.accept(round(4915.2 * 0.25 * at_ms), at_ms * MS, at_ms * MS)
        watch.second.accept(round(-4915.2 * (0.25 * at_ms - 1.2)), at_ms * MS, at_ms * MS)
    assert watch.skew() == pytest.approx(1.2, abs=0.001)


@given(
    st.floats(1.0, 1000.0), st.floats(0.0, 4.0), st.floats(0.0, 0.02), st.floats(0.0, 1.0), st.floats(0.0, 1.0),
    st.sampled_from([1, -1]),
)  # fmt: skip
def test_what_an_axis_does_is_within_what_is_expected(
    distance: float, asked_s: float, lasts_s: float, where: float, start: float, sign: int
):
    """
    Whatever instant between request and reply the reading belongs to, and whenever within the drive's cycle the motion
    began, the lagged profile lies between the two ends.
    """
    one = axis("beam_left")
    profile = double_s(sign * distance, 250.0, 800.0, 8000.0)
    target = round(sign * distance * 4915.2)
    motion = Motion(one.plan, profile, 0, target, early_ns=MS, late_ns=2 * MS)
    asked, arrived = round(asked_s * 1e9), round((asked_s + lasts_s) * 1e9)
    low, high = motion.expected(asked, arrived)
    begun_ns = MS + start * MS
    taken_ns = asked + where * (arrived - asked)
    true = profile.position((taken_ns - begun_ns - one.plan.lag_ns) / 1e9) * 4915.2
    assert low - 1 <= true <= high + 1


def test_three_fresh_equal_readings_prove_standstill():
    """practice.md P10 (common practice, no source)."""
    one = axis("lift")
    for place, counts in enumerate([100, 50, 51, 50]):
        one.accept(counts, place * 20 * MS, (place * 20 + 1) * MS)
    assert one.stands(20 * MS, noise=2)
    assert not one.stands(21 * MS, noise=2)  # only two of them are fresh
    assert not one.stands(20 * MS, noise=0)
    one.accept(60, 80 * MS, 81 * MS)
    assert not one.stands(20 * MS, noise=2)
