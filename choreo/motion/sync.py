"""What a group of moves needs so that all end together: the slower axes set the time, the others cruise slower."""

from collections.abc import Sequence
from typing import NamedTuple

from choreo.motion.profile import Profile, Real, arrive_at, move_profile


class MoveLimits(NamedTuple):
    """One axis' part: signed distance, speed limit, acceleration (both ramps), jerk or None for a trapezoid."""

    distance: Real
    speed: Real
    acceleration: Real
    jerk: Real | None = None

    def profile(self, speed: Real | None = None) -> Profile:
        """The fastest move within these limits, or the one at a lower cruise speed. ValueError as in `profile.py`."""
        return move_profile(self.distance, self.speed if speed is None else speed, self.acceleration, self.jerk)


def synchronise(moves: Sequence[MoveLimits]) -> list[float]:
    """
    The cruise speed of each move, in order, at which all moves that start together end with the slowest.

    Ramps stay as steep as they are (facts.md E7 (2), E8); a speed is never above its limit. A move of no distance, and
    the slowest, keep their limit. Raises ValueError for what is not a lawful move.
    """
    durations = [move.profile().duration for move in moves]
    slowest = max(durations, default=0.0)
    return [
        _lowered(move, slowest) if 0.0 < duration < slowest else float(move.speed)
        for move, duration in zip(moves, durations, strict=True)
    ]


def _lowered(move: MoveLimits, duration: float) -> float:
    return min(float(move.speed), arrive_at(move.distance, duration, move.acceleration, move.jerk))
