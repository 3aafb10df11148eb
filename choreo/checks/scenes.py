"""What is true of the axes before each step of a plan: power, settings, home, loads, where they stand."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from fractions import Fraction

from choreo.diagnostic import Span
from choreo.plan.model import (
    Anchor,
    AxisMove,
    Configure,
    Disable,
    Enable,
    Home,
    Move,
    MoveUntil,
    Plan,
    Preload,
    ResetFault,
    StepPlan,
    Trigger,
)
from choreo.plan.signals import CERTAIN
from choreo.wire.words import Setting


@dataclass(frozen=True, slots=True)
class Axes:
    """By axis index. `settings` are raw values as configured so far, `told` the axes that have begun a motion."""

    enabled: frozenset[int] = frozenset()
    homed: frozenset[int] = frozenset()
    told: frozenset[int] = frozenset()
    settings: Mapping[int, Mapping[Setting, int]] = field(default_factory=dict)
    disabled_at: Mapping[int, Span] = field(default_factory=dict)
    loaded: Mapping[int, AxisMove] = field(default_factory=dict)
    stands: Mapping[int, tuple[Anchor, Fraction]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Scene:
    """A step, and the axes as it begins."""

    step: StepPlan
    closing: bool
    axes: Axes


def scenes(plan: Plan) -> tuple[tuple[Scene, ...], Axes]:
    """A scene for every step, closing steps last, and the axes after the last."""
    found: list[Scene] = []
    axes = _begun(plan)
    for closing, steps in ((False, plan.steps), (True, plan.closing)):
        for step in steps:
            found.append(Scene(step, closing, axes))
            axes = _after(axes, step)
    return tuple(found), axes


def _begun(plan: Plan) -> Axes:
    """Before the first step: nothing is known, or what a stopped run has left."""
    homed = [left for left in plan.left if left.home_valid]
    return Axes(
        enabled=frozenset(left.axis for left in plan.left if left.energised),
        homed=frozenset(left.axis for left in homed),
        stands={
            left.axis: (Anchor.HOME, Fraction(left.counts) / plan.axes[left.axis].counts_per_unit) for left in homed
        },
    )


def _after(axes: Axes, step: StepPlan) -> Axes:
    action = step.action
    if isinstance(action, Configure):
        settings = dict(axes.settings)
        for axis, values in action.values:
            settings[axis] = {**settings.get(axis, {}), **values}
        return replace(axes, settings=settings)
    if isinstance(action, Enable):
        return replace(axes, enabled=axes.enabled | set(action.axes))
    if isinstance(action, Disable):
        off = dict.fromkeys(action.axes, step.place)
        return replace(axes, enabled=axes.enabled - set(off), disabled_at={**axes.disabled_at, **off})
    if isinstance(action, ResetFault):
        off = dict.fromkeys(action.axes, step.place)
        return replace(axes, enabled=axes.enabled - set(off), disabled_at={**axes.disabled_at, **off})
    if isinstance(action, Preload):
        return replace(axes, loaded={**axes.loaded, **{move.axis: move for move in action.moves}})
    if isinstance(action, Home):
        at = dict.fromkeys(action.axes, (Anchor.HOME, action.rest_at))
        homed = axes.homed | set(action.axes)
        return replace(axes, homed=homed, told=axes.told | set(action.axes), stands={**axes.stands, **at})
    moves = tuple(started(step))
    if not moves:
        return axes
    at = {move.axis: (move.anchor, move.target) for move in moves}
    known = {move.axis for move in moves if move.target_spread == CERTAIN and not isinstance(action, MoveUntil)}
    stands = {**axes.stands, **at}
    stands = {axis: place for axis, place in stands.items() if axis not in at or axis in known}
    loaded = {} if isinstance(action, Trigger) else axes.loaded
    return replace(axes, told=axes.told | set(at), stands=stands, loaded=loaded)


def started(step: StepPlan) -> Iterator[AxisMove]:
    """The moves that a step sets off."""
    if isinstance(step.action, Trigger):
        yield from step.action.moves
    elif isinstance(step.action, Move):
        for group in step.action.groups:
            yield from group
    elif isinstance(step.action, MoveUntil):
        yield from step.action.moves


def together(step: StepPlan) -> Iterator[tuple[AxisMove, ...]]:
    """The same in groups: what one frame starts."""
    if isinstance(step.action, Move):
        yield from (group for group in step.action.groups if group)
    elif moves := tuple(started(step)):
        yield moves


def loaded_by(step: StepPlan) -> Iterator[AxisMove]:
    """The moves that a step puts into drives."""
    if isinstance(step.action, Preload):
        yield from step.action.moves
    elif isinstance(step.action, Move | MoveUntil):
        yield from started(step)
