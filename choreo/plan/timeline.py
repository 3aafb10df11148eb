"""
The plan laid out in time: when each step begins and ends, and where each axis is then, if all goes as predicted.

Nanoseconds from the beginning of the first step. Predictions are those of `predict.py`; steps follow at once.
"""

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import NamedTuple

from choreo.motion.profile import Profile
from choreo.plan.model import Anchor, AxisMove, Home, Move, MoveUntil, Plan, StepPlan, Trigger
from choreo.plan.predict import Times
from choreo.units import NS_PER_S


class StepTime(NamedTuple):
    """A step and its predicted begin and end."""

    step: StepPlan
    begin_ns: int
    end_ns: int


class Motion(NamedTuple):
    """One axis on its way. `profile` None is homing: on the way nobody knows where the axis is."""

    axis: int
    begin_ns: int
    end_ns: int
    anchor: Anchor
    start: Fraction
    target: Fraction
    profile: Profile | None


class Position(NamedTuple):
    """An offset in the axis' unit and what it is counted from."""

    anchor: Anchor
    offset: float


@dataclass(frozen=True, slots=True)
class Timeline:
    """Steps in order, closing steps last; motions by axis, in order."""

    steps: tuple[StepTime, ...]
    motions: tuple[tuple[Motion, ...], ...]

    @property
    def end_ns(self) -> int:
        """When the last step ends."""
        return self.steps[-1].end_ns if self.steps else 0

    def position(self, axis: int, t_ns: int) -> Position | None:
        """Where an axis is predicted to be; None while it is being homed."""
        motions = self.motions[axis]
        found = bisect_right([motion.begin_ns for motion in motions], t_ns)
        if not found:
            return Position(Anchor.START, 0.0)
        motion = motions[found - 1]
        if t_ns >= motion.end_ns:
            return Position(motion.anchor, float(motion.target))
        if motion.profile is None:
            return None
        gone = motion.profile.position((t_ns - motion.begin_ns) / NS_PER_S)
        return Position(motion.anchor, float(motion.start) + gone)


def timeline(plan: Plan) -> Timeline:
    """Lay a plan out in time."""
    laying = _Laying(plan)
    for step in (*plan.steps, *plan.closing):
        laying.add(step)
    return Timeline(tuple(laying.steps), tuple(tuple(motions) for motions in laying.motions))


class _Laying:
    def __init__(self, plan: Plan) -> None:
        self.times = Times(plan.axes, plan.dialects, plan.bit_rate, plan.poll_ns)
        self.steps: list[StepTime] = []
        self.motions: list[list[Motion]] = [[] for _ in plan.axes]
        self.now_ns = 0

    def add(self, step: StepPlan) -> None:
        begin, end, action = self.now_ns, self.now_ns + step.predicted_ns, step.action
        if isinstance(action, Trigger):
            self._start(action.moves, end)
        elif isinstance(action, Move):
            at = begin
            for group in action.groups:
                self._start(group, at + self.times.until_trigger(group))
                at += self.times.travel(group, action.settle_ns)
        elif isinstance(action, MoveUntil):
            self._start(action.moves, begin + self.times.until_trigger(action.moves))
        elif isinstance(action, Home):
            for axis in action.axes:
                rest = action.rest_at
                self.motions[axis].append(Motion(axis, begin, end, Anchor.HOME, rest, rest, None))
        self.steps.append(StepTime(step, begin, end))
        self.now_ns = end

    def _start(self, moves: Sequence[AxisMove], trigger_ns: int) -> None:
        for move in moves:
            begin = trigger_ns + self.times.earliest(move.axis)
            end = begin + move.duration_ns
            motion = Motion(move.axis, begin, end, move.anchor, move.start, move.target, move.profile)
            self.motions[move.axis].append(motion)
