"""
Durations, positions and speeds against ruckig, a general-purpose library of time-optimal motion, as facts.md E5 says
to call it. Closed forms here, a numerical search for profiles there.
"""

from math import inf

import pytest
from hypothesis import given
from hypothesis import strategies as st
from ruckig import ControlInterface, InputParameter, Result, Ruckig, Synchronization, Trajectory

from choreo.motion.profile import arrive_at, double_s, stop_profile, time_to_travel, trapezoid
from choreo.motion.sync import MoveLimits, synchronise
from vectors import numbers

MOMENTS = [n / 40 for n in range(41)]

distances = st.one_of(st.floats(1e-2, 1e4), st.floats(-1e4, -1e-2))
speeds = st.floats(1.0, 1e3)
ramps = st.floats(10.0, 1e4)
jerks = st.floats(100.0, 1e6)
moves = st.builds(MoveLimits, distances, speeds, ramps, st.none() | jerks)


def ruckig(moves, deceleration=None, v_start=0.0, v_end=0.0):
    """The trajectory of axes that end together, each at its own acceleration and jerk."""
    asked = InputParameter(len(moves))
    asked.current_position = [0.0] * len(moves)
    asked.target_position = [m.distance for m in moves]
    asked.max_velocity = [m.speed for m in moves]
    asked.max_acceleration = [m.acceleration for m in moves]
    asked.max_jerk = [inf if m.jerk is None else m.jerk for m in moves]
    asked.current_velocity, asked.target_velocity = [v_start] * len(moves), [v_end] * len(moves)
    asked.synchronization = Synchronization.Time
    if deceleration is not None:
        asked.min_acceleration = [-deceleration]
    return solved(asked)


def solved(asked):
    trajectory = Trajectory(asked.degrees_of_freedom)
    assert Ruckig(asked.degrees_of_freedom).calculate(asked, trajectory) == Result.Working
    return trajectory


def same_way(profile, trajectory, scale=1.0):
    """Same duration, and the same position and speed at many moments."""
    assert profile.duration == pytest.approx(trajectory.duration, rel=1e-9)
    for part in MOMENTS:
        t = part * trajectory.duration
        (position,), (velocity,), _ = trajectory.at_time(t)
        assert profile.position(t) == pytest.approx(position, abs=1e-9 * scale * abs(profile.distance))
        assert profile.velocity(t) == pytest.approx(velocity, abs=1e-7 * scale * profile.peak_velocity)


@pytest.mark.parametrize("row", numbers("double_s"), ids=lambda row: f"row {row['row']:g}")
def test_table_e5(row):
    same_way(
        double_s(row["D"], row["V"], row["A"], row["J"]),
        ruckig([MoveLimits(row["D"], row["V"], row["A"], row["J"])]),
    )


@pytest.mark.parametrize("row", numbers("trapezoid"))
def test_table_e1(row):
    same_way(trapezoid(row["D"], row["V"], row["A"]), ruckig([MoveLimits(row["D"], row["V"], row["A"])]))


@pytest.mark.parametrize("row", numbers("trapezoid_unequal"))
def test_table_e2(row):
    move = MoveLimits(row["D"], row["V"], row["A"])
    same_way(trapezoid(*move[:3], row["Dc"]), ruckig([move], deceleration=row["Dc"]))


@pytest.mark.parametrize(("h", "v0", "v1", "v"), [(30, 5, 2, 10), (30, 5, 2, 20), (10, 1, 0, 10)])
def test_moving_ends_e3(h, v0, v1, v):
    same_way(trapezoid(h, v, 10, v_start=v0, v_end=v1), ruckig([MoveLimits(h, v, 10)], v_start=v0, v_end=v1))


@given(distances, speeds, ramps, jerks)
def test_any_double_s(distance, v, a, j):
    same_way(double_s(distance, v, a, j), ruckig([MoveLimits(distance, v, a, j)]))


@given(distances, speeds, ramps)
def test_any_trapezoid(distance, v, a):
    same_way(trapezoid(distance, v, a), ruckig([MoveLimits(distance, v, a)]))


@given(st.floats(1e-2, 1e4), speeds, ramps, ramps)
def test_any_trapezoid_with_unequal_ramps(distance, v, a, d):
    same_way(trapezoid(distance, v, a, d), ruckig([MoveLimits(distance, v, a)], deceleration=d))


@given(st.one_of(speeds, speeds.map(lambda v: -v)), ramps, st.none() | jerks)
def test_any_stop(v, decel, jerk):
    """ruckig's velocity interface: from the speed to rest, wherever that is."""
    asked = InputParameter(1)
    asked.control_interface = ControlInterface.Velocity
    asked.current_velocity, asked.target_velocity = [v], [0.0]
    asked.max_acceleration, asked.max_jerk = [decel], [inf if jerk is None else jerk]
    trajectory = solved(asked)
    profile = stop_profile(v, decel, jerk)
    same_way(profile, trajectory)
    assert profile.distance == pytest.approx(trajectory.at_time(trajectory.duration)[0][0], rel=1e-9)


@given(moves, st.floats(0.01, 0.9))
def test_the_time_to_a_distance(move, part):
    """Both ways round: ruckig's position at our time is the distance asked for."""
    t = time_to_travel(move.profile(), part * abs(move.distance))
    assert ruckig([move]).at_time(t)[0][0] == pytest.approx(part * move.distance, rel=1e-7)


@pytest.mark.parametrize("jerk_limited", [True, False])
def test_the_worked_groups_end_together(jerk_limited):
    """facts.md E7 and E8 with `Synchronization.Time`."""
    limits = [(300, 250, 1000, 10000), (80, 250, 1000, 10000), (-12, 100, 500, 5000)]
    together([MoveLimits(d, v, a, j if jerk_limited else None) for d, v, a, j in limits])


# ruckig 0.19.4 gives up (error -101) or finds a profile of another shape where an axis must wait for one that is
# thousands of times slower, so these groups are alike enough for it.
alike = st.builds(
    MoveLimits,
    st.one_of(st.floats(20, 500), st.floats(-500, -20)),
    st.floats(50, 500),
    st.floats(100, 5000),
    st.floats(1e3, 1e5),
)


@given(st.lists(alike, min_size=2, max_size=4))
def test_any_group_ends_together(group):
    together(group)


def together(group):
    trajectory = ruckig(group)
    for axis, (move, cruise) in enumerate(zip(group, synchronise(group), strict=True)):
        profile = move.profile(cruise)
        assert profile.duration == pytest.approx(trajectory.duration, rel=1e-9)
        assert move.profile().duration == pytest.approx(trajectory.independent_min_durations[axis], rel=1e-9)
        in_the_middle = trajectory.at_time(trajectory.duration / 2)[1][axis]
        assert in_the_middle == pytest.approx(profile.velocity(profile.duration / 2), rel=1e-6)


@given(alike, st.floats(1.01, 20))
def test_a_cruise_speed_is_the_one_that_ruckig_finds_for_a_minimum_duration(move, stretch):
    duration = double_s(move.distance, 1e9, move.acceleration, move.jerk).duration * stretch
    asked = InputParameter(1)
    asked.target_position = [move.distance]
    asked.max_velocity, asked.max_acceleration, asked.max_jerk = [1e9], [move.acceleration], [move.jerk]
    asked.minimum_duration = duration
    in_the_middle = solved(asked).at_time(duration / 2)[1][0]
    assert abs(in_the_middle) == pytest.approx(
        arrive_at(move.distance, duration, move.acceleration, move.jerk), rel=1e-6
    )
