"""Profiles of moves, kept: a recipe that repeats asks for the same ones again and again, as do the sides of a pair."""

from typing import NamedTuple

from choreo.motion.profile import Profile, move_profile
from choreo.plan.machine import Machine
from choreo.plan.onset import noticeable, onset_limit_ns
from choreo.units import NS_PER_S


class Shape(NamedTuple):
    """What a profile is made of: distance, speed, acceleration, jerk or None for a trapezoid."""

    distance: float
    speed: float
    acceleration: float
    jerk: float | None


class Motion(NamedTuple):
    """A profile, how long it lasts, and by when it must be seen to start (P5)."""

    profile: Profile
    duration_ns: int
    onset_ns: int | None


class Profiles:
    """The profiles of one plan."""

    def __init__(self, machine: Machine) -> None:
        self._machine = machine
        self._thresholds = [noticeable(axis) for axis in machine.axes]
        self._profiles: dict[Shape, Profile] = {}
        self._motions: dict[tuple[int, Shape], Motion] = {}

    def of(self, axis: int, shape: Shape) -> Motion:
        """The motion of an axis with that shape, in its unit; made once."""
        found = self._motions.get((axis, shape))
        if found is None:
            found = self._motions[axis, shape] = self._motion(axis, self._profile(shape))
        return found

    def _profile(self, shape: Shape) -> Profile:
        found = self._profiles.get(shape)
        if found is None:
            found = self._profiles[shape] = move_profile(*shape)
        return found

    def _motion(self, axis: int, profile: Profile) -> Motion:
        plan = self._machine.axes[axis]
        onset_ns = onset_limit_ns(
            profile,
            self._thresholds[axis],
            self._machine.dialect(axis).timing,
            lag_ns=plan.lag_ns,
            poll_ns=self._machine.budget.poll_ns,
            reply_ns=plan.reply_timeout_ns,
        )
        return Motion(profile, round(profile.duration * NS_PER_S), onset_ns)
