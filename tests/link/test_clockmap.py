"""
Another clock's times on our own: what must hold for any clock, and how near the estimate is for an honest one.

The truth is made here: when a frame arrived, what the other clock said then, and how much later the program got it.
"""

import math

from hypothesis import given
from hypothesis import strategies as st

from choreo.link.clockmap import DRIFT, SPAN_NS, ClockMap

MS = 1_000_000
#: A number of seconds since 1970 has no more than so many nanoseconds in a float's last place.
LAST_PLACE_NS = 500

gaps = st.integers(50_000, 30 * MS)
delays = st.one_of(st.just(0), st.integers(0, 2 * MS), st.integers(0, 400 * MS))


class Clock:
    """An honest clock: `begins_s` when ours begins, and faster than ours by `drift`."""

    def __init__(self, begins_s: float, drift: float) -> None:
        self._begins_ns, self._drift = round(begins_s * 1e9), drift

    def says(self, true_ns: int) -> float:
        return (self._begins_ns + true_ns + round(true_ns * self._drift)) / 1e9


def run(clock: Clock, steps: list[tuple[int, int]], map_: ClockMap) -> list[tuple[int, int, int]]:
    """Frames one gap after the other, each with its delay: true times, when the program got it, the estimate."""
    rows, true_ns, got_ns = [], 1_000, 0
    for gap, delay in steps:
        true_ns += gap
        got_ns = max(got_ns, true_ns + delay)  # the program gets them in order
        rows.append((true_ns, got_ns, map_.at(clock.says(true_ns), got_ns)))
    return rows


@given(
    st.floats(1, 2e9),
    st.floats(-0.9 * DRIFT, 0.9 * DRIFT),
    st.lists(st.tuples(gaps, delays), min_size=1, max_size=60),
)
def test_an_honest_clocks_estimate_lies_between_arrival_and_getting(
    begins_s: float, drift: float, steps: list[tuple[int, int]]
) -> None:
    rows = run(Clock(begins_s, drift), steps * 5, ClockMap())
    for true_ns, got_ns, estimate in rows:
        assert true_ns - LAST_PLACE_NS <= estimate <= got_ns
    estimates = [estimate for _, _, estimate in rows]
    assert estimates == sorted(estimates)


@given(st.floats(1, 2e9), st.floats(-0.9 * DRIFT, 0.9 * DRIFT), st.lists(delays, min_size=1, max_size=40))
def test_once_known_a_late_frame_is_dated_back(begins_s: float, drift: float, late: list[int]) -> None:
    # 100 frames a second of which every tenth comes through at once: the last such is 100 ms old at the most.
    map_ = ClockMap()
    clock = Clock(begins_s, drift)
    start = [(10 * MS, 0)] * 400
    rows = run(clock, start + [step for delay in late for step in [(10 * MS, delay), *[(10 * MS, 0)] * 50]], map_)
    assert map_.trusted
    bound = 2 * DRIFT * 2 * SPAN_NS + LAST_PLACE_NS
    assert all(estimate - true_ns <= bound for true_ns, _, estimate in rows[400:])


@given(st.lists(st.tuples(st.floats(), st.integers(0, 3_000 * MS)), max_size=200))
def test_whatever_a_clock_says_no_estimate_is_later_than_the_getting_nor_runs_back(
    steps: list[tuple[float, int]],
) -> None:
    map_, got_ns, last = ClockMap(), 0, 0
    for says, gap in steps:
        got_ns += gap
        estimate = map_.at(says, got_ns)
        assert last <= estimate <= got_ns
        last = estimate


def settled() -> tuple[ClockMap, int]:
    """A map that believes its clock, which said 100 s when ours began; and how late it is."""
    map_ = ClockMap()
    for number in range(1, 301):
        map_.at(100 + number * 0.01, number * 10 * MS)
    assert map_.trusted
    return map_, 300 * 10 * MS


def test_a_clock_that_says_nothing_is_left_alone() -> None:
    for nothing in (0.0, -1.0, math.nan, math.inf):
        map_, now = settled()
        assert map_.at(nothing, now + 5 * MS) == now + 5 * MS
        assert not map_.trusted


def test_a_clock_is_not_believed_at_once() -> None:
    map_ = ClockMap()
    assert map_.at(100.0, 50 * MS) == 50 * MS
    assert map_.at(100.001, 150 * MS) == 150 * MS
    assert not map_.trusted


def test_a_clock_that_runs_back_is_dropped_and_may_come_again() -> None:
    map_, now = settled()
    assert map_.at(50.0, now + 10 * MS) == now + 10 * MS
    assert not map_.trusted
    for number in range(1, 301):
        map_.at(50 + number * 0.01, now + (1 + number) * 10 * MS)
    assert map_.trusted


def test_a_clock_that_stands_still_is_dropped() -> None:
    map_, now = settled()
    assert map_.at(103.0, now + 30 * MS) == now + 30 * MS
    assert not map_.trusted


def test_a_clock_that_leaps_ahead_is_dropped() -> None:
    map_, now = settled()
    assert map_.at(203.0, now + 10 * MS) == now + 10 * MS
    assert not map_.trusted


def test_a_clock_that_is_a_twentieth_too_fast_is_never_believed() -> None:
    map_ = ClockMap()
    for number in range(1, 2000):
        now = number * 10 * MS
        assert map_.at(100 + number * 0.0105, now) == now


def test_after_a_long_silence_it_begins_anew() -> None:
    map_, now = settled()
    assert map_.at(103 + 5, now + 5 * SPAN_NS + MS) == now + 5 * SPAN_NS + MS
    assert not map_.trusted
