"""
Motion profiles in closed form: a move from rest to rest, and a stop from a steady speed.

Any unit of travel will do, with seconds. Formulas: Biagiotti, Melchiorri, "Trajectory Planning for Automatic Machines
and Robots" (Springer 2008), chapters 3 and 5, as collected in facts.md E1 to E4.
"""

from bisect import bisect_right
from collections.abc import Iterable
from dataclasses import dataclass
from math import cbrt, sqrt

from choreo.motion.arrival import arrive_at
from choreo.motion.checked import Real, checked_distance, checked_limit, finite

__all__ = [
    "Profile",
    "Real",
    "Segment",
    "arrive_at",
    "double_s",
    "move_profile",
    "stop_profile",
    "stopping_distance",
    "time_to_travel",
    "trapezoid",
]


@dataclass(frozen=True, slots=True)
class Segment:
    """A stretch of constant jerk: when it starts in the profile, how long it lasts, and p, v, a as it starts."""

    start: float
    duration: float
    position: float
    velocity: float
    acceleration: float
    jerk: float


@dataclass(frozen=True, slots=True)
class Profile:
    """
    How a move goes. `distance` is signed; positions are counted from where the move starts, times from its start.

    Before its start and after its end the profile stands at its ends. `begins` are the starts of the segments. The end
    is exactly `distance`, whatever the segments add up to in floating point.
    """

    distance: float
    duration: float
    segments: tuple[Segment, ...]
    begins: tuple[float, ...]
    peak_velocity: float
    peak_acceleration: float
    end_velocity: float = 0.0

    def position(self, t: float) -> float:
        """Signed distance from the start, `t` seconds after it."""
        if t <= 0.0 or not self.segments:
            return 0.0 if t <= 0.0 else self.distance
        if t >= self.duration:
            return self.distance
        s = self.segments[bisect_right(self.begins, t) - 1]
        dt = t - s.start
        return s.position + dt * (s.velocity + dt * (s.acceleration / 2 + dt * (s.jerk / 6)))

    def velocity(self, t: float) -> float:
        """Signed speed at `t`; outside the profile the one at its nearer end."""
        if not self.segments or t >= self.duration:
            return self.end_velocity
        if t <= 0.0:
            return self.segments[0].velocity
        s = self.segments[bisect_right(self.begins, t) - 1]
        dt = t - s.start
        return s.velocity + dt * (s.acceleration + dt * (s.jerk / 2))

    def acceleration(self, t: float) -> float:
        """Signed acceleration at `t`, where it jumps the one that follows; 0 outside the profile."""
        if t < 0.0 or t >= self.duration:
            return 0.0
        s = self.segments[bisect_right(self.begins, t) - 1]
        return s.acceleration + (t - s.start) * s.jerk


def trapezoid(
    distance: Real, v: Real, a: Real, d: Real | None = None, *, v_start: Real = 0.0, v_end: Real = 0.0
) -> Profile:
    """
    The fastest move under a speed limit `v`, an acceleration `a` and a deceleration `d` (`a` when not given).

    Too short a move never reaches `v` and is a triangle. `v_start` and `v_end` are speeds along the move, at most `v`.
    A distance of zero gives an empty profile. Raises ValueError for a limit that is not positive and finite, and for a
    distance too short to change from `v_start` to `v_end`. Source: facts.md E1, E2, E3.
    """
    length, sign = _size_and_sign("distance", distance)
    top, up = checked_limit("speed", v), checked_limit("acceleration", a)
    down = up if d is None else checked_limit("deceleration", d)
    first, last = _speed_within("start speed", v_start, top), _speed_within("end speed", v_end, top)
    if length == 0.0 and first == last == 0.0:
        return _assemble((), 0.0)
    peak = min(top, sqrt((2 * length * up * down + down * first**2 + up * last**2) / (up + down)))
    if peak < max(first, last) * (1 - 1e-12):
        raise ValueError(f"a distance of {length:g} is too short to change speed from {first:g} to {last:g}")
    peak = max(peak, first, last)
    ramps = (peak**2 - first**2) / (2 * up) + (peak**2 - last**2) / (2 * down)
    cruise = max(0.0, (length - ramps) / peak) if peak == top else 0.0
    pieces = (
        ((peak - first) / up, first, up, 0.0),
        (cruise, peak, 0.0, 0.0),
        ((peak - last) / down, peak, -down, 0.0),
    )
    return _assemble(pieces, length, sign, last)


def double_s(distance: Real, v: Real, a: Real, j: Real) -> Profile:
    """
    The fastest move from rest to rest under a speed limit `v`, an acceleration `a` and a jerk `j`: seven segments, of
    which those of no length are left out. A distance of zero gives an empty profile.

    Raises ValueError for a limit that is not positive and finite. Source: facts.md E4.
    """
    length, sign = _size_and_sign("distance", distance)
    top, limit, jerk = checked_limit("speed", v), checked_limit("acceleration", a), checked_limit("jerk", j)
    if length == 0.0:
        return _assemble((), 0.0)
    ramp_jerk, plateau = _jerk_limited_ramp(top, limit, jerk)
    peak = top
    cruise = length / top - (2 * ramp_jerk + plateau)
    if cruise < 0.0:
        cruise = 0.0
        if length >= 2 * limit**3 / jerk**2:
            ramp_jerk = limit / jerk
            plateau = max(0.0, sqrt(ramp_jerk**2 / 4 + length / limit) - 1.5 * ramp_jerk)
        else:
            ramp_jerk, plateau = cbrt(length / (2 * jerk)), 0.0
        peak = min(top, jerk * ramp_jerk * (ramp_jerk + plateau))
    steepest = min(limit, jerk * ramp_jerk)
    knee = steepest * ramp_jerk / 2  # the speed at which the jerk ends
    rise = (
        (ramp_jerk, 0.0, 0.0, jerk),
        (plateau, knee, steepest, 0.0),
        (ramp_jerk, peak - knee, steepest, -jerk),
    )
    return _assemble((*rise, (cruise, peak, 0.0, 0.0), *_fall(peak, ramp_jerk, plateau, jerk, steepest)), length, sign)


def move_profile(distance: Real, v: Real, a: Real, j: Real | None) -> Profile:
    """The fastest move from rest to rest: `double_s`, or `trapezoid` where `j` is None, errors included."""
    return trapezoid(distance, v, a) if j is None else double_s(distance, v, a, j)


def stop_profile(v: Real, decel: Real, jerk: Real | None) -> Profile:
    """
    From the steady speed `v` (signed) to rest: distance, duration and the way between.

    Without `jerk` the deceleration is there at once. A speed of zero gives an empty profile. Raises ValueError for a
    speed that is not finite and for limits that are not positive and finite.
    """
    speed, sign = _size_and_sign("speed", v)
    limit = checked_limit("deceleration", decel)
    bound = None if jerk is None else checked_limit("jerk", jerk)
    if speed == 0.0:
        return _assemble((), 0.0)
    if bound is None:
        return _assemble(((speed / limit, speed, -limit, 0.0),), speed**2 / (2 * limit), sign)
    ramp_jerk, plateau = _jerk_limited_ramp(speed, limit, bound)
    steepest = min(limit, bound * ramp_jerk)
    length = speed * (2 * ramp_jerk + plateau) / 2  # a ramp symmetric in time covers half of speed times duration
    return _assemble(_fall(speed, ramp_jerk, plateau, bound, steepest), length, sign)


def stopping_distance(v: Real, a: Real, j: Real | None) -> float:
    """How far an axis goes, never negative, from the speed `v` to rest at the deceleration `a` and the jerk `j`."""
    return abs(stop_profile(v, a, j).distance)


def time_to_travel(profile: Profile, distance: Real) -> float | None:
    """
    The first time, in seconds, at which the profile has gone `distance` (not negative) from its start, either way.

    None when it never goes so far. Exact to the last bit: halving finds the first float of that kind, which is lawful
    because no profile here turns back. Raises ValueError for a negative distance or one that is not finite.
    """
    wanted, sign = _size_and_sign("distance", distance)
    if sign < 0:
        raise ValueError(f"a distance to travel is not negative, but {wanted:g} below zero was given")
    if wanted == 0.0:
        return 0.0
    if wanted >= abs(profile.distance):
        return profile.duration if wanted == abs(profile.distance) else None
    low, high = 0.0, profile.duration
    while low < (middle := (low + high) / 2) < high:
        if abs(profile.position(middle)) >= wanted:
            high = middle
        else:
            low = middle
    return high


_Piece = tuple[float, float, float, float]  # duration; speed and acceleration as it starts; jerk


def _jerk_limited_ramp(speed: float, limit: float, jerk: float) -> tuple[float, float]:
    """Time of one jerk and of the plateau of constant acceleration in a ramp between rest and `speed`."""
    if speed * jerk >= limit**2:
        return limit / jerk, max(0.0, speed / limit - limit / jerk)
    return sqrt(speed / jerk), 0.0


def _fall(peak: float, ramp_jerk: float, plateau: float, jerk: float, steepest: float) -> tuple[_Piece, ...]:
    """The ramp from a steady speed to rest."""
    knee = steepest * ramp_jerk / 2
    return (
        (ramp_jerk, peak, 0.0, -jerk),
        (plateau, peak - knee, -steepest, 0.0),
        (ramp_jerk, knee, -steepest, jerk),
    )


def _assemble(pieces: Iterable[_Piece], length: float, sign: float = 1.0, last: float = 0.0) -> Profile:
    """
    Put pieces that follow each other together; those of no length are left out.

    The peaks are those at the starts of the pieces, where they are the limits themselves and not a rounded sum.
    """
    segments: list[Segment] = []
    start = position = peak_velocity = peak_acceleration = 0.0
    for duration, velocity, acceleration, jerk in pieces:
        if duration <= 0.0:
            continue
        at_start = (sign * position + 0.0, sign * velocity + 0.0, sign * acceleration + 0.0, sign * jerk + 0.0)
        segments.append(Segment(start, duration, *at_start))  # + 0.0 turns -0.0 into 0.0
        peak_velocity = max(peak_velocity, velocity)
        peak_acceleration = max(peak_acceleration, abs(acceleration))
        position += duration * (velocity + duration * (acceleration / 2 + duration * (jerk / 6)))
        start += duration
    return Profile(
        distance=sign * length + 0.0,
        duration=start,
        segments=tuple(segments),
        begins=tuple(s.start for s in segments),
        peak_velocity=max(peak_velocity, last),
        peak_acceleration=peak_acceleration,
        end_velocity=sign * last + 0.0,
    )


def _size_and_sign(what: str, value: Real) -> tuple[float, float]:
    number = checked_distance(what, value)
    return abs(number), -1.0 if number < 0 else 1.0


def _speed_within(what: str, value: Real, top: float) -> float:
    number = finite(what, value)
    if not 0.0 <= number <= top:
        raise ValueError(f"the {what} must lie between 0 and the speed of {top:g}, and it is {number:g}")
    return number
