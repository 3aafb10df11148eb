"""The truth about motion against closed forms and tables from outside, and the laws of the lag."""

from math import exp, inf, log

import pytest
from hypothesis import given
from hypothesis import strategies as st

from choreo_sim.lag import Polynomial, Response
from choreo_sim.motion_truth import State, distance_from, following, following_error, free, hold, move, ramp
from vectors import numbers

PER_MM = 4915.2
REST = State(0.0, 0.0, 0.0)


def times(*values: float) -> list[float]:
    return [value * PER_MM for value in values]


@pytest.mark.parametrize("row", numbers("double_s"), ids=lambda row: f"row {row['row']:g}")
def test_a_move_from_rest_to_rest_takes_what_the_table_says(row):
    """facts.md E5; Biagiotti, Melchiorri 2008."""
    distance, speed, acceleration, jerk = times(row["D"], row["V"], row["A"], row["J"])
    found = move(State(7e6, 0, 0), 7e6 + distance, speed, acceleration, jerk)
    assert found.duration == pytest.approx(row["T"], abs=1e-9)
    assert found.end == 7e6 + distance
    middle = found.state(row["T"] / 2)
    assert abs(middle.v) == pytest.approx(row["peak_v"] * PER_MM, rel=1e-8)
    assert middle.p == pytest.approx(7e6 + distance / 2, abs=1e-3)


@pytest.mark.parametrize("row", numbers("trapezoid"), ids=lambda row: f"{row['D']:g} mm")
def test_without_a_jerk_limit_it_is_the_trapezoid(row):
    """facts.md E1."""
    found = move(REST, *times(row["D"], row["V"], row["A"]), inf)
    assert found.duration == pytest.approx(row["T"], abs=1e-9)


@pytest.mark.parametrize(
    ("distance", "speed", "acceleration", "jerk", "seconds"),
    [
        (600, 250, 800, 8000, 2.8125),  # beam: 0.4125 + 1.9875 + 0.4125
        (300, 500, 1500, 15000, 1.0333333333),  # carriage
        (-400, 120, 400, 4000, 3.7333333333),  # lift
    ],
)
def test_the_demo_machine_moves_as_calculated_by_hand(distance, speed, acceleration, jerk, seconds):
    """practice.md, "The demo machine"."""
    assert move(REST, *times(distance, speed, acceleration, jerk)).duration == pytest.approx(seconds, abs=1e-9)


def test_a_stop_takes_its_ramp_and_half_a_jerk_time_more():
    """250 mm/s at 800 mm/s² take 39 mm (practice.md P13); the jerk adds v A / (2 J) = 12.5 mm (facts.md E4)."""
    plain = ramp(State(0, 250 * PER_MM, 0), 0, 800 * PER_MM, inf)
    assert plain.end / PER_MM == pytest.approx(250**2 / (2 * 800))
    smooth = ramp(State(0, 250 * PER_MM, 0), 0, 800 * PER_MM, 8000 * PER_MM)
    assert smooth.end / PER_MM == pytest.approx(250**2 / (2 * 800) + 250 * 800 / (2 * 8000))
    assert smooth.duration == pytest.approx(250 / 800 + 800 / 8000)


def test_a_stop_while_speeding_up_first_takes_the_acceleration_back():
    """From 100 mm/s at full acceleration the speed rises by A² / (2 J) = 40 mm/s before it falls."""
    found = ramp(State(0, 100 * PER_MM, 800 * PER_MM), 0, 800 * PER_MM, 8000 * PER_MM)
    fastest = max(found.state(found.duration * k / 1000).v for k in range(1001))
    assert fastest / PER_MM == pytest.approx(140, abs=0.01)
    assert found.state(found.duration).v == 0


def test_a_ramp_to_a_speed_goes_on_for_ever():
    found = ramp(REST, *times(50, 800, 8000))
    assert found.duration == inf
    assert found.state(100.0).v == pytest.approx(50 * PER_MM)


def test_the_lag_trails_by_speed_times_its_time_constant():
    """practice.md P8: a position loop at gain 50/s (tau 20 ms) lags 5 mm at 250 mm/s."""
    demand = move(REST, *times(600, 250, 800, 8000))
    behind = demand.state(1.4).p - following(demand, 0.020, 0.0).at(1.4)
    assert behind / PER_MM == pytest.approx(5.0, abs=1e-6)
    assert following_error(demand, 0.020, 0.0).at(1.4) / PER_MM == pytest.approx(5.0, abs=1e-6)


def test_the_lag_of_a_step_is_the_exponential():
    """Textbook step response of a first-order lag."""
    response = following(hold(1000.0), 0.008, 0.0)
    for s in (0.0, 0.004, 0.008, 0.05):
        assert response.at(s) == pytest.approx(1000 * (1 - exp(-s / 0.008)), abs=1e-3)


def test_a_dip_between_two_ends_is_found():
    """
    The input rises from 0 by 1000/s, the value begins at 100 above it: y = 1000 (s - tau) + C exp(-s/tau) with
    C = 100 + 1000 tau dips where its slope is zero, at s = tau ln(C / (1000 tau)), and rises again.
    """
    tau = 0.020
    response = Response([Polynomial(0.0, 0.0, 1000.0, 0.0, 0.0), Polynomial(1.0, 1000.0, 0.0, 0.0, 0.0)], tau, 100.0)
    bottom = tau * log((100 + 1000 * tau) / (1000 * tau))
    lowest = 1000 * bottom
    assert response.at(bottom) == pytest.approx(lowest)
    found = response.first_crossing(lowest + 1.0)
    assert found is not None
    assert found < bottom
    assert response.at(found) == pytest.approx(lowest + 1.0, abs=1e-4)
    assert response.first_crossing(lowest - 1.0) is None
    again = response.first_crossing(lowest + 1.0, bottom)
    assert again is not None
    assert again > bottom


def test_falling_follows_the_parabola():
    assert free(0.0, 0.0, -9806.65, 1.0).state(0.060).p == pytest.approx(-17.65197)


def test_coasting_ends_after_the_square_of_the_speed():
    found = free(0.0, -200.0, 0.0, 400.0)
    assert (found.end, found.duration) == (pytest.approx(-50.0), pytest.approx(0.5))


states = st.builds(
    State, st.floats(-1e7, 1e7), st.floats(-300 * PER_MM, 300 * PER_MM), st.floats(-900 * PER_MM, 900 * PER_MM)
)
distances = st.floats(-2400 * PER_MM, 2400 * PER_MM)
taus = st.sampled_from([0.0, 0.002, 0.008, 0.020])


def moment(demand, share: float) -> float:
    return share * (demand.duration + 0.1)


@given(distances, taus, st.lists(st.floats(0, 1), max_size=20))
def test_a_move_from_rest_never_leaves_the_way_to_its_target(distance, tau, shares):
    demand = move(REST, distance, *times(250, 800, 8000))
    response = following(demand, tau, 0.0)
    for share in shares:
        for place in (demand.state(moment(demand, share)).p, response.at(moment(demand, share))):
            assert min(0.0, distance) - 1e-3 <= place <= max(0.0, distance) + 1e-3


@given(states, distances, st.lists(st.floats(0, 1), max_size=10))
def test_a_move_from_any_state_keeps_its_limits_and_ends_at_its_target(state, distance, shares):
    speed, acceleration, jerk = times(250, 800, 8000)
    demand = move(state, state.p + distance, speed, acceleration, jerk)
    assert demand.state(0.0) == pytest.approx(state, rel=1e-9, abs=1e-3)
    assert demand.state(demand.duration) == State(state.p + distance, 0.0, 0.0)
    highest = max(speed, abs(state.v) + state.a**2 / (2 * jerk))
    for share in shares:
        found = demand.state(moment(demand, share))
        assert abs(found.v) <= highest * (1 + 1e-6) + 1e-3
        assert abs(found.a) <= max(acceleration, abs(state.a)) * (1 + 1e-6) + 1e-3


@given(states, st.booleans())
def test_a_stop_from_any_state_ends_at_rest(state, smooth):
    demand = ramp(state, 0.0, 800 * PER_MM, 8000 * PER_MM if smooth else inf)
    end = demand.state(demand.duration)
    assert (end.v, end.a) == (0.0, 0.0)
    if not smooth:
        assert abs(end.p - state.p) == pytest.approx(state.v**2 / (2 * 800 * PER_MM), rel=1e-6, abs=1e-3)


@given(states, distances, st.sampled_from([0.002, 0.008, 0.020]), st.floats(-1e4, 1e4), st.floats(0.001, 0.999))
def test_the_lag_obeys_its_differential_equation(state, distance, tau, offset, share):
    """y' = (u - y) / tau, and the following error is u - y."""
    demand = move(state, state.p + distance, *times(250, 800, 8000))
    response = following(demand, tau, state.p + offset)
    s = moment(demand, share)
    error = demand.state(s).p - response.at(s)
    assert response.slope(s) == pytest.approx(error / tau, rel=1e-4, abs=10.0)
    assert following_error(demand, tau, -offset).at(s) == pytest.approx(error, abs=1e-2)
    assert abs(response.slope(s)) <= response.fastest() + 1e-3


@given(states, distances, taus)
def test_the_lagged_position_converges_to_the_target(state, distance, tau):
    demand = move(state, state.p + distance, *times(250, 800, 8000))
    response = following(demand, tau, state.p)
    assert abs(response.at(demand.duration + 40 * tau) - demand.end) < 1e-3
    assert response.at(response.calm) == demand.end


@given(states, distances, st.sampled_from([0.0, 0.008]), st.floats(0, 1), st.floats(0, 0.9))
def test_no_crossing_is_missed_and_none_invented(state, distance, tau, height, begin):
    """Against dense sampling: up to the crossing that is found all lie on one side, there it lies on the other."""
    demand = move(state, state.p + distance, *times(250, 800, 8000))
    response = following(demand, tau, state.p)
    low, high = response.bounds()
    level, after = low + height * (high - low), begin * demand.duration
    found = response.first_crossing(level, after)
    end = demand.duration + 60 * tau if found is None else found
    samples = [after + (end - after) * k / 200 for k in range(200)]
    sides = {response.at(s) >= level for s in samples if abs(response.at(s) - level) > 1e-3}
    assert len(sides) <= 1
    if found is not None and sides:
        assert (response.at(found) >= level) not in sides or abs(response.at(found) - level) < 1e-3


def test_a_point_that_does_not_follow_is_left_behind_by_the_demand():
    demand = move(REST, *times(600, 250, 800, 8000))
    error = distance_from(demand, 0.0)
    assert error.at(1.0) == demand.state(1.0).p
    assert demand.state(error.first_crossing(3 * PER_MM)).p == pytest.approx(3 * PER_MM)
