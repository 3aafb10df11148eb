"""Arriving at a given time, and together: facts.md E7 (2) and E8."""

from math import inf, nan

import pytest
from hypothesis import given
from hypothesis import strategies as st

from choreo.motion.arrival import shortest_duration
from choreo.motion.profile import arrive_at, double_s, trapezoid
from choreo.motion.sync import MoveLimits, synchronise

moves = st.builds(
    MoveLimits,
    st.one_of(st.floats(1e-3, 1e4), st.floats(-1e4, -1e-3)),
    st.floats(1e-1, 1e3),
    st.floats(1.0, 1e4),
    st.none() | st.floats(1.0, 1e6),
)

E7 = [MoveLimits(300, 250, 1000, 10000), MoveLimits(80, 250, 1000, 10000), MoveLimits(-12, 100, 500, 5000)]
E8 = [MoveLimits(300, 250, 1000), MoveLimits(80, 250, 1000), MoveLimits(-12, 100, 500)]


def test_the_worked_case_with_jerk():
    """facts.md E7: cruise speeds of method (2), and the durations from which they follow."""
    assert [m.profile().duration for m in E7] == pytest.approx([1.55, 0.674456264654, 0.425576411922], rel=1e-11)
    assert synchronise(E7) == pytest.approx([250, 57.1940670076, 8.16790584228], rel=1e-11)


def test_the_jerk_times_of_the_worked_case():
    for move, ramp_jerk in zip(E7[1:], (0.075627, 0.040418), strict=True):  # facts.md E7
        cruise = arrive_at(move.distance, 1.55, move.acceleration, move.jerk)
        assert move.profile(cruise).segments[0].duration == pytest.approx(ramp_jerk, abs=5e-7)


def test_the_worked_case_without_jerk():
    """facts.md E8."""
    assert [m.profile().duration for m in E8] == pytest.approx([1.45, 0.57, 0.309838667697], rel=1e-11)
    assert synchronise(E8) == pytest.approx([250, 57.4485038591, 8.37255119096], rel=1e-11)


def test_the_demo_carriage_arrives_with_the_beam():
    """practice.md, "The demo machine": +300 mm at 113.7 mm/s arrives with the beam's +600 mm."""
    speeds = synchronise([MoveLimits(600, 250, 800, 8000), MoveLimits(300, 500, 1500, 15000)])
    assert speeds == pytest.approx([250, 113.7], abs=0.05)


@given(st.lists(moves, max_size=6))
def test_a_group_ends_together_with_its_slowest_and_within_every_limit(group):
    slowest = max((m.profile().duration for m in group), default=0.0)
    speeds = synchronise(group)
    assert [m.profile(v).duration for m, v in zip(group, speeds, strict=True)] == pytest.approx(
        [slowest] * len(group), rel=1e-12
    )
    assert all(0 < v <= m.speed for m, v in zip(group, speeds, strict=True))


@given(moves, st.integers(1, 8))
def test_moves_that_differ_by_rounding_only_stay_within_their_limit(move, steps):
    longer = move._replace(distance=move.distance * (1 + steps * 2.0**-52))
    assert all(v <= move.speed for v in synchronise([move, longer]))


def test_the_slowest_keeps_a_limit_that_it_never_reaches():
    """2 mm at A 200, J 2000 peak at 12.6 mm/s: facts.md E5, row 3."""
    assert synchronise([MoveLimits(2, 50, 200, 2000), MoveLimits(0.1, 50, 200, 2000)])[0] == 50.0


def test_a_move_of_no_distance_keeps_its_limit_and_holds_nobody_up():
    assert synchronise([MoveLimits(0, 50, 100, 1000), MoveLimits(0, 70, 100)]) == [50.0, 70.0]
    assert synchronise([*E7, MoveLimits(0, 50, 100, 1000)])[3] == 50.0
    assert synchronise([]) == []


@given(moves, st.floats(1.0, 1e4))
def test_the_cruise_speed_makes_the_move_last_as_long_as_asked(move, stretch):
    wanted = shortest_duration(abs(move.distance), move.acceleration, move.jerk) * stretch
    cruise = arrive_at(move.distance, wanted, move.acceleration, move.jerk)
    assert move.profile(cruise).duration == pytest.approx(wanted, rel=1e-12)


@given(moves)
def test_the_shortest_duration_is_that_of_a_move_without_a_speed_limit(move):
    unlimited = move.profile(1e12).duration
    assert shortest_duration(abs(move.distance), move.acceleration, move.jerk) == pytest.approx(unlimited, rel=1e-12)


@pytest.mark.parametrize("cruise", [50, 45, 41, 39, 30, 5])
def test_cruise_speeds_around_the_one_from_which_ramps_have_a_plateau(cruise):
    """A 200, J 1000: a plateau from A^2/J = 40 mm/s on; durations of a 40 mm move by facts.md E4."""
    ramp = cruise / 200 + 200 / 1000 if cruise >= 40 else 2 * (cruise / 1000) ** 0.5
    assert arrive_at(40, 40 / cruise + ramp, 200, 1000) == pytest.approx(cruise, rel=1e-12)


def test_the_boundary_between_ramps_with_and_without_plateau():
    """At V = A^2/J both formulas hold: 40 at 40 mm/s, A 200, J 1000 lasts 40/40 + 40/200 + 200/1000 s."""
    for nudge in (1 - 1e-9, 1.0, 1 + 1e-9):
        assert arrive_at(40, 1.4 * nudge, 200, 1000) == pytest.approx(40, rel=1e-8)


@pytest.mark.parametrize("jerk", [None, 1000.0])
def test_what_cannot_be_that_fast_is_refused(jerk):
    shortest = (trapezoid(100, 1e9, 200) if jerk is None else double_s(100, 1e9, 200, jerk)).duration
    with pytest.raises(ValueError, match="at least"):
        arrive_at(100, shortest * 0.999, 200, jerk)
    assert arrive_at(100, shortest, 200, jerk) > 0


@pytest.mark.parametrize("bad", [0, -1, nan, inf, -inf])
def test_what_is_no_number_is_refused(bad):
    for arguments in ((bad, 10, 10, 10), (10, bad, 10, 10), (10, 10, bad, None), (10, 10, 10, bad)):
        if arguments[0] == -1:
            continue  # a distance may be negative
        with pytest.raises(ValueError, match=r"distance|duration|acceleration|jerk"):
            arrive_at(*arguments)
    with pytest.raises(ValueError, match="acceleration"):
        synchronise([MoveLimits(10, 10, bad, 10)])
