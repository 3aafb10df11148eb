"""Profiles against tables: facts.md E1 to E5, and the demo machine of practice.md."""

from math import inf

import pytest

from choreo.motion.profile import double_s, stop_profile, stopping_distance, time_to_travel, trapezoid
from vectors import numbers

# The tables give 12 digits of times and 10 of peaks.
TIMES = {"rel": 1e-11, "abs": 1e-13}
PEAKS = {"rel": 1e-9}


def lengths(profile, kind):
    """Durations of the segments whose (acceleration, jerk), seen along the move, have the signs `kind`."""
    way = 1 if profile.distance > 0 else -1
    sign = lambda x: (x > 0) - (x < 0)  # noqa: E731
    return [s.duration for s in profile.segments if (sign(way * s.acceleration), sign(way * s.jerk)) == kind]


@pytest.mark.parametrize("row", numbers("trapezoid"))
def test_trapezoid(row):
    profile = trapezoid(row["D"], row["V"], row["A"])
    assert profile.duration == pytest.approx(row["T"], **TIMES)
    assert profile.peak_velocity == pytest.approx(row["peak_v"], **PEAKS)
    assert lengths(profile, (1, 0)) == pytest.approx([row["Ta"]], **TIMES)
    assert sum(lengths(profile, (0, 0))) == pytest.approx(row["Tv"], **TIMES)


@pytest.mark.parametrize("row", numbers("trapezoid_unequal"))
def test_trapezoid_with_unequal_ramps(row):
    profile = trapezoid(-row["D"], row["V"], row["A"], row["Dc"])
    assert profile.duration == pytest.approx(row["T"], **TIMES)
    assert lengths(profile, (1, 0)) == pytest.approx([row["Ta"]], **TIMES)
    assert lengths(profile, (-1, 0)) == pytest.approx([row["Td"]], **TIMES)
    assert sum(lengths(profile, (0, 0))) == pytest.approx(row["Tv"], **TIMES)
    assert profile.peak_acceleration == max(row["A"], row["Dc"])


@pytest.mark.parametrize(
    ("h", "v0", "v1", "v", "ta", "td", "t", "peak"),
    [  # facts.md E3; the first is the example of Biagiotti, Melchiorri, section 3.2, as remembered there
        (30, 5, 2, 10, 0.5, 0.8, 3.445, 10),
        (30, 5, 2, 20, 1.2734147851, 1.5734147851, 2.8468295702, 17.7341478510),
        (10, 1, 0, 10, 0.9, 1.0, 1.905, 10),
    ],
)
def test_trapezoid_from_and_to_a_moving_end(h, v0, v1, v, ta, td, t, peak):
    profile = trapezoid(h, v, 10, v_start=v0, v_end=v1)
    assert profile.duration == pytest.approx(t, rel=1e-10)
    assert profile.peak_velocity == pytest.approx(peak, rel=1e-10)
    assert lengths(profile, (1, 0)) == pytest.approx([ta], rel=1e-9)
    assert lengths(profile, (-1, 0)) == pytest.approx([td], rel=1e-9)
    assert profile.velocity(-1.0) == profile.velocity(0.0) == v0
    assert profile.velocity(profile.duration) == profile.velocity(inf) == v1


@pytest.mark.parametrize("row", numbers("double_s"), ids=lambda row: f"row {row['row']:g}")
def test_double_s(row):
    profile = double_s(row["D"], row["V"], row["A"], row["J"])
    assert profile.duration == pytest.approx(row["T"], **TIMES)
    assert profile.peak_velocity == pytest.approx(row["peak_v"], **PEAKS)
    assert profile.peak_acceleration == pytest.approx(row["peak_a"], **PEAKS)
    assert lengths(profile, (0, 1)) == pytest.approx([row["Tj"]], **TIMES)
    assert sum(lengths(profile, (1, 0))) == pytest.approx(row["Tc"], **TIMES)
    assert sum(lengths(profile, (0, 0))) == pytest.approx(row["Tv"], **TIMES)


@pytest.mark.parametrize("row", numbers("double_s"), ids=lambda row: f"row {row['row']:g}")
def test_double_s_without_a_bound_on_jerk_is_the_trapezoid(row):
    """facts.md E4: the limit of J to infinity gives E1. At 1e13 a jerk lasts less than a nanosecond here."""
    sharp = double_s(row["D"], row["V"], row["A"], 1e13)
    assert sharp.duration == pytest.approx(trapezoid(row["D"], row["V"], row["A"]).duration, abs=2e-9)


# practice.md, "The demo machine" and P5, P13 (common practice, no source; times there computed with facts.md E).


def test_the_demo_beam_moves_600_mm_in_the_time_that_practice_gives():
    profile = double_s(600, 250, 800, 8000)
    ramp, cruise = 0.4125, 1.9875
    assert profile.duration == pytest.approx(2 * ramp + cruise, abs=1e-12)
    assert profile.velocity(ramp) == pytest.approx(250)
    assert sum(lengths(profile, (0, 0))) == pytest.approx(cruise, abs=1e-12)


def test_the_demo_carriage_and_lift_move_in_the_times_that_practice_gives():
    assert double_s(300, 500, 1500, 15000).duration == pytest.approx(1.033, abs=5e-4)
    assert double_s(-400, 120, 400, 4000).duration == pytest.approx(3.73, abs=5e-3)


@pytest.mark.parametrize(
    ("speed", "ramp", "distance"),
    [(250, 800, 39.06), (250, 3000, 10.4), (400, 3000, 26.7)],  # practice.md P13; "One side stalls"
)
def test_stopping_distances_of_practice(speed, ramp, distance):
    assert stopping_distance(speed, ramp, None) == pytest.approx(distance, abs=0.05)
    assert stopping_distance(-speed, ramp, None) == stopping_distance(speed, ramp, None)


def test_a_heavy_beam_needs_42_ms_to_a_tenth_of_a_millimetre():
    """practice.md P5: 42 ms at 8000 mm/s^3; a profile stretched five times in time needs 211 ms."""
    assert time_to_travel(double_s(600, 250, 800, 8000), 0.1) == pytest.approx(0.042, abs=5e-4)
    stretched = double_s(600, 250 / 5, 800 / 25, 8000 / 125)
    assert time_to_travel(stretched, 0.1) == pytest.approx(0.211, abs=5e-4)


def test_a_jerk_limited_stop_by_hand():
    """From 250 at 800 with jerk 8000: half of (250/800 + 800/8000) s at 250."""
    profile = stop_profile(-250, 800, 8000)
    assert profile.duration == pytest.approx(0.4125)
    assert profile.distance == pytest.approx(-51.5625)
    gentle = stop_profile(2, 800, 8000)  # never reaches 800: two jerks of sqrt(2/8000) s
    assert gentle.duration == pytest.approx(2 * (2 / 8000) ** 0.5)
    assert gentle.peak_acceleration == pytest.approx((2 * 8000) ** 0.5)
