"""Profiles of moves, kept: a recipe that repeats asks for the same ones again and again."""

from typing import NamedTuple

from choreo.motion.profile import Profile, double_s, trapezoid
from choreo.plan.machine import Machine
from choreo.plan.onset import noticeable, onset_limit_ns
from choreo.units import NS_PER_S


class Shape(NamedTuple):
    """What a profile is made of, in the axis' unit."""

    axis: int
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
        self._kept: dict[Shape, Motion] = {}

    def of(self, shape: Shape) -> Motion:
        """The motion of that shape, made once."""
        found = self._kept.get(shape)
        if found is None:
            found = self._kept[shape] = self._make(shape)
        return found

    def _make(self, shape: Shape) -> Motion:
        if shape.jerk is None:
            profile = trapezoid(shape.distance, shape.speed, shape.acceleration)
        else:
            profile = double_s(shape.distance, shape.speed, shape.acceleration, shape.jerk)
        axis = self._machine.axes[shape.axis]
        onset_ns = onset_limit_ns(
            profile,
            noticeable(axis.counts_per_unit, axis.noise_counts),
            self._machine.dialect(shape.axis).timing,
            lag_ns=axis.lag_ns,
            poll_ns=self._machine.budget.poll_ns,
            reply_ns=axis.reply_timeout_ns,
        )
        return Motion(profile, round(profile.duration * NS_PER_S), onset_ns)
