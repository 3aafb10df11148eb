"""What holds for every profile, whatever its limits."""

from fractions import Fraction
from itertools import pairwise
from math import inf, nan

import pytest
from hypothesis import assume, example, given
from hypothesis import strategies as st

from choreo.motion.profile import double_s, move_profile, stop_profile, stopping_distance, time_to_travel, trapezoid


def magnitudes(low, high):
    return st.floats(low, high, allow_nan=False)


distances = st.one_of(magnitudes(1e-3, 1e4), magnitudes(-1e4, -1e-3))
speeds = magnitudes(1e-1, 1e3)
ramps = magnitudes(1.0, 1e4)
jerks = magnitudes(1.0, 1e6)
trapezoids = st.builds(trapezoid, distances, speeds, ramps, st.none() | ramps)
double_ss = st.builds(double_s, distances, speeds, ramps, jerks)
stops = st.builds(stop_profile, st.one_of(speeds, speeds.map(lambda v: -v)), ramps, st.none() | jerks)
profiles = st.one_of(trapezoids, double_ss, stops)
fractions_of_time = st.floats(0, 1)


@given(profiles)
def test_the_segments_join_and_end_where_the_profile_ends(profile):
    speed = profile.peak_velocity
    for one, next_one in pairwise(profile.segments):
        assert next_one.start == pytest.approx(one.start + one.duration)
        assert next_one.velocity == pytest.approx(_end(one)[1], abs=1e-9 * speed)
        assert next_one.position == pytest.approx(_end(one)[0], abs=1e-9 * abs(profile.distance))
    position, velocity = _end(profile.segments[-1])
    assert position == pytest.approx(profile.distance, rel=1e-9)
    assert velocity == pytest.approx(0.0, abs=1e-9 * speed)
    assert profile.begins == tuple(s.start for s in profile.segments)


def _end(s):
    dt = s.duration
    return (
        s.position + s.velocity * dt + s.acceleration * dt**2 / 2 + s.jerk * dt**3 / 6,
        s.velocity + s.acceleration * dt + s.jerk * dt**2 / 2,
    )


@given(double_ss)
def test_a_double_s_has_no_jump_of_acceleration_and_mirrors_in_time(profile):
    for one, next_one in pairwise(profile.segments):
        ramped = one.acceleration + one.jerk * one.duration
        assert next_one.acceleration == pytest.approx(ramped, abs=1e-9 * profile.peak_acceleration)
    for part in (0.1, 0.25, 0.4, 0.5):
        there, back = profile.position(part * profile.duration), profile.position((1 - part) * profile.duration)
        assert there + back == pytest.approx(profile.distance, rel=1e-9)


@given(distances, speeds, ramps, jerks, fractions_of_time)
@example(66.31145762057041, 282.0, 2440.0, 20400.0, 0.5)  # at the edge of a cruise, where rounding shows
@example(2.5067182457620487, 12.0, 320.0, 1100.0, 0.5)
def test_no_limit_is_exceeded_at_any_time(distance, v, a, j, part):
    for profile in (double_s(distance, v, a, j), trapezoid(distance, v, a)):
        t = part * profile.duration
        assert abs(profile.velocity(t)) <= profile.peak_velocity * (1 + 1e-9)
        assert profile.peak_velocity <= v
        assert abs(profile.acceleration(t)) <= profile.peak_acceleration * (1 + 1e-9)
        assert profile.peak_acceleration <= a
    assert all(abs(s.jerk) <= j for s in double_s(distance, v, a, j).segments)


@given(profiles, st.floats(0.001, 0.999))
def test_speed_is_the_slope_of_position_and_acceleration_that_of_speed(profile, part):
    """Exact for a cubic: the mean speed over an interval within a segment is Simpson's sum of the speed."""
    t = part * profile.duration
    segment = next(s for s in reversed(profile.segments) if s.start <= t)
    low, high = segment.start, min(segment.start + segment.duration, profile.duration)
    assume(high - low > 1e-6 * profile.duration)
    low, high = low + (high - low) * 0.01, high - (high - low) * 0.01
    middle = (low + high) / 2
    simpson = (profile.velocity(low) + 4 * profile.velocity(middle) + profile.velocity(high)) / 6
    gone = profile.position(high) - profile.position(low)
    assert gone == pytest.approx(simpson * (high - low), rel=1e-6, abs=1e-9 * abs(profile.distance))
    gained = profile.velocity(high) - profile.velocity(low)
    assert gained == pytest.approx(
        profile.acceleration(middle) * (high - low), rel=1e-6, abs=1e-7 * profile.peak_velocity
    )


@given(profiles)
def test_before_and_after_the_profile_everything_stands_at_its_ends(profile):
    for t in (-inf, -1.0, 0.0):
        assert profile.position(t) == 0.0
    for t in (profile.duration, profile.duration + 1.0, inf):
        assert profile.position(t) == profile.distance
        assert profile.velocity(t) == 0.0
        assert profile.acceleration(t) == 0.0
    assert profile.acceleration(-1e-9) == 0.0
    assert abs(profile.velocity(-1.0)) == abs(profile.velocity(0.0)) <= profile.peak_velocity


@given(profiles, fractions_of_time, fractions_of_time)
def test_no_profile_turns_back(profile, one, other):
    early, late = sorted((one * profile.duration, other * profile.duration))
    assert abs(profile.position(early)) <= abs(profile.position(late)) * (1 + 1e-12) + 1e-12 * abs(profile.distance)


@given(profiles, st.floats(1e-6, 0.999))
def test_the_time_to_a_distance_is_the_first_at_which_it_is_reached(profile, part):
    wanted = part * abs(profile.distance)
    t = time_to_travel(profile, wanted)
    assert abs(profile.position(t)) >= wanted * (1 - 1e-12)
    assert abs(profile.position(t * (1 - 1e-6))) <= wanted


@given(profiles)
def test_the_ends_of_the_time_to_a_distance(profile):
    assert time_to_travel(profile, 0) == 0.0
    assert time_to_travel(profile, abs(profile.distance)) == profile.duration
    assert time_to_travel(profile, abs(profile.distance) * 1.0001) is None


@given(distances, speeds, ramps, jerks)
def test_the_other_direction_is_the_mirror_image(distance, v, a, j):
    one, other = double_s(distance, v, a, j), double_s(-distance, v, a, j)
    assert one.duration == other.duration
    assert one.position(one.duration / 3) == -other.position(one.duration / 3)


@given(distances, speeds, ramps, jerks)
def test_a_bound_on_jerk_never_makes_a_move_faster(distance, v, a, j):
    bound, sharp = double_s(distance, v, a, j), trapezoid(distance, v, a)
    assert bound.duration >= sharp.duration * (1 - 1e-12)


@given(speeds, ramps, st.none() | jerks)
def test_a_move_that_cruises_stops_over_its_stopping_distance(v, a, j):
    stop = stop_profile(v, a, j)
    distance = 4 * stop.distance
    move = move_profile(distance, v, a, j)
    assert move == (trapezoid(distance, v, a) if j is None else double_s(distance, v, a, j))
    assert distance - move.position(move.duration - stop.duration) == pytest.approx(stop.distance, rel=1e-9)
    assert stopping_distance(-v, a, j) == abs(stop.distance) > 0


def test_fractions_are_taken_as_numbers():
    assert double_s(Fraction(400, 3), Fraction(250), Fraction(800), Fraction(8000)) == double_s(400 / 3, 250, 800, 8000)


@pytest.mark.parametrize(
    "empty", [double_s(0, 1, 1, 1), trapezoid(0, 1, 1), stop_profile(0, 1, 1), stop_profile(0, 1, None)]
)
def test_no_distance_is_an_empty_profile(empty):
    assert (empty.distance, empty.duration, empty.segments) == (0.0, 0.0, ())
    assert empty.peak_velocity == empty.peak_acceleration == 0.0
    for t in (-1.0, 0.0, 1.0):
        assert empty.position(t) == empty.velocity(t) == empty.acceleration(t) == 0.0
    assert time_to_travel(empty, 0) == 0.0
    assert time_to_travel(empty, 1) is None


BAD_LIMITS = [0, -1, nan, inf, -inf, 1e-300, 1e300, Fraction(10) ** 400]


@pytest.mark.parametrize("bad", BAD_LIMITS)
@pytest.mark.parametrize("place", range(3))
def test_limits_that_are_no_limits_are_refused(bad, place):
    limits = [100.0, 200.0, 300.0]
    limits[place] = bad
    with pytest.raises(ValueError, match=("speed", "acceleration", "jerk")[place]):
        double_s(10, *limits)
    with pytest.raises(ValueError, match=("speed", "acceleration", "deceleration")[place]):
        trapezoid(10, *limits)


@pytest.mark.parametrize("bad", [nan, inf, -inf, 1e300])
def test_distances_and_speeds_that_are_no_numbers_are_refused(bad):
    for make in (lambda: double_s(bad, 1, 1, 1), lambda: trapezoid(bad, 1, 1), lambda: stop_profile(bad, 1, 1)):
        with pytest.raises(ValueError, match=r"distance|speed"):
            make()
    with pytest.raises(ValueError, match="distance"):
        time_to_travel(double_s(1, 1, 1, 1), bad)


@pytest.mark.parametrize("bad", BAD_LIMITS)
def test_stops_refuse_what_is_no_limit(bad):
    with pytest.raises(ValueError, match="deceleration"):
        stop_profile(1, bad, None)
    with pytest.raises(ValueError, match="jerk"):
        stopping_distance(1, 1, bad)


def test_a_negative_distance_to_travel_is_refused():
    with pytest.raises(ValueError, match="negative"):
        time_to_travel(double_s(-10, 1, 1, 1), -1)


@pytest.mark.parametrize(("v_start", "v_end"), [(-1, 0), (0, 11), (nan, 0), (0, inf)])
def test_end_speeds_outside_the_speed_limit_are_refused(v_start, v_end):
    with pytest.raises(ValueError, match="speed"):
        trapezoid(30, 10, 10, v_start=v_start, v_end=v_end)


def test_a_distance_too_short_to_slow_down_is_refused():
    """facts.md E3: h A > |v0^2 - v1^2| / 2 is needed; here 1.25 is the shortest."""
    with pytest.raises(ValueError, match="too short"):
        trapezoid(1.2, 10, 10, v_start=5)
    assert trapezoid(1.25, 10, 10, v_start=5).duration == pytest.approx(0.5)
