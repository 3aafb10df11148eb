"""The cruise speed at which a move lasts a given time, its ramps kept as steep as they are."""

from math import acos, cbrt, cos, sqrt

from choreo.motion.checked import Real, checked_distance, checked_limit

#: How much below the shortest possible duration still counts as that duration: rounding of the caller's own sums.
_SLACK = 1e-12


def arrive_at(distance: Real, duration: Real, a: Real, j: Real | None) -> float:
    """
    The cruise speed, at full acceleration `a` and jerk `j`, at which a move from rest to rest lasts `duration` seconds.

    `j` None means a trapezoid. Raises ValueError when the distance is zero, when a limit or the duration is not
    positive and finite, and when no speed makes the move that short. Source: facts.md E7 (2) and E8; of the two
    roots the smaller is the one whose move still has a cruise.
    """
    length = abs(checked_distance("distance", distance))
    wanted, limit = checked_limit("duration", duration), checked_limit("acceleration", a)
    if length == 0.0:
        raise ValueError("a move of no distance has no cruise speed")
    jerk = None if j is None else checked_limit("jerk", j)
    shortest = shortest_duration(length, limit, jerk)
    if wanted < shortest * (1 - _SLACK):
        raise ValueError(
            f"a move of {length:g} at an acceleration of {limit:g} lasts at least {shortest:g} s; {wanted:g} s is less"
        )
    if jerk is None:
        return _with_plateau(length, wanted, limit)
    if length >= 2 * limit**3 / jerk**2:
        slowest_plateau = limit**2 / jerk  # below this speed the ramps do not reach the full acceleration
        if wanted <= length / slowest_plateau + 2 * limit / jerk:
            return _with_plateau(length, wanted - limit / jerk, limit)
    return _without_plateau(length, wanted, jerk)


def shortest_duration(length: float, a: float, j: float | None) -> float:
    """Seconds that a move from rest to rest needs when nothing limits its speed. Source: facts.md E1, E4."""
    if j is None:
        return 2 * sqrt(length / a)
    if length >= 2 * a**3 / j**2:
        ramp_jerk = a / j
        return ramp_jerk + 2 * sqrt(ramp_jerk**2 / 4 + length / a)
    return 4 * cbrt(length / (2 * j))


def _with_plateau(length: float, time: float, a: float) -> float:
    """Solve time = length / v + v / a; written so that nothing cancels."""
    return 2 * length / (time + sqrt(max(0.0, time**2 - 4 * length / a)))


def _without_plateau(length: float, time: float, j: float) -> float:
    """
    Solve time = length / v + 2 sqrt(v / j).

    With w = sqrt(j / v) this is w³ - (time j / length) w + 2 j / length = 0: three real roots, and the largest, by the
    cosine of a third of an angle, is the slow move.
    """
    p, q = time * j / length, 2 * j / length
    w = 2 * sqrt(p / 3) * cos(acos(max(-1.0, -1.5 * q / p * sqrt(3 / p))) / 3)
    return j / w**2
