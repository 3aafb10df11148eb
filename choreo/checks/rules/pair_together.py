"""
The two sides of a pair are moved together, alike.

One side moved alone, by another distance, at another speed or with other ramps racks the beam (practice.md P9, P24);
and so does a stop for which the sides have other ramps.
A pair is moved by its name; its sides are named only where one is looked at.

Passes:

    steps:
      - move: {beam: {to: 300 mm}}

Fails:

    steps:
      - move: {beam_left: {to: 300 mm}}
"""

from collections.abc import Iterator, Sequence
from fractions import Fraction

from choreo.checks.facts import Facts, in_words
from choreo.checks.scenes import Scene
from choreo.diagnostic import Finding, Level, Mark
from choreo.plan.model import AxisMove, AxisPlan, Home, Move, MoveUntil, PairPlan, Plan, Trigger

ID, LEVEL, READS = "pair-together", Level.ERROR, Plan


def check(facts: Facts) -> Iterator[Finding]:
    """What each start sets off: a trigger, and each stage of a move."""
    for scene in facts.scenes:
        action = scene.step.action
        if isinstance(action, Trigger):
            groups: Sequence[tuple[AxisMove, ...]] = (action.moves,)
        elif isinstance(action, Move):
            groups = action.groups
        elif isinstance(action, MoveUntil):
            groups = (action.moves,)
        elif isinstance(action, Home):
            yield from _homed(facts, scene, action)
            continue
        else:
            continue
        for group in groups:
            for pair in facts.plan.pairs:
                sides = [move for move in group if move.axis in pair.axes]
                if sides:
                    yield from _judge(facts, scene, pair, sides)


def _judge(facts: Facts, scene: Scene, pair: PairPlan, sides: list[AxisMove]) -> Iterator[Finding]:
    first = sides[0]
    why = _alone(facts, pair, first) if len(sides) == 1 else _unlike(facts, sides) or _stopped(facts, scene, pair)
    if why is not None:
        other = sides[-1].place
        yield Finding(
            ID,
            f"{pair.name} would be racked in step {scene.step.path}: {why}",
            Mark(first.place or scene.step.place, "one side"),
            (Mark(other, "the other side"),) if other is not None and other != first.place else (),
            f"Move the pair by its name: `{pair.name}`.",
            level=LEVEL,
        )


def _homed(facts: Facts, scene: Scene, action: Home) -> Iterator[Finding]:
    """The search of a pair, in which both sides have the ramps of their own settings."""
    for pair in facts.plan.pairs:
        if not set(pair.axes) <= set(action.axes):
            continue
        left, right = (facts.plan.axes[axis] for axis in pair.axes)
        at = [action.axes.index(axis) for axis in pair.axes]
        why = _other(left, right, "accelerates at", [action.acceleration[one] for one in at], "/s^2")
        why = why or _other(left, right, "has a jerk of", [action.jerk[one] or 0 for one in at], "/s^3")
        why = why or _stopped(facts, scene, pair)
        if why is not None:
            yield Finding(
                ID,
                f"{pair.name} would be racked while it is homed in step {scene.step.path}: {why}",
                Mark(scene.step.place, "homes both sides"),
                (),
                f"Configure the pair by its name: `{pair.name}`.",
                level=LEVEL,
            )


def _stopped(facts: Facts, scene: Scene, pair: PairPlan) -> str | None:
    """What is unlike about the ramps with which the sides would be stopped, as configured."""
    left, right = (facts.plan.axes[axis] for axis in pair.axes)
    for what in ("stop_ramp", "quick_stop_ramp"):
        ramps = [facts.real(scene.axes, axis, getattr(facts.dialect(axis), what)) for axis in pair.axes]
        known = [ramp for ramp in ramps if ramp is not None]
        why = _other(left, right, "stops at", known, "/s^2") if len(known) == 2 else None
        if why is not None:
            return why
    return None


def _other(left: AxisPlan, right: AxisPlan, what: str, values: Sequence[Fraction | int], per: str) -> str | None:
    first, second = values
    if first == second:
        return None
    return f"{left.name} {what} {in_words(first, left, per)} and {right.name} {in_words(second, right, per)}"


def _alone(facts: Facts, pair: PairPlan, move: AxisMove) -> str:
    still = pair.axes[1] if move.axis == pair.axes[0] else pair.axes[0]
    names = facts.plan.axes
    return f"{names[move.axis].name} moves and {names[still].name} does not"


def _unlike(facts: Facts, sides: list[AxisMove]) -> str | None:
    one, two = sides
    left, right = facts.plan.axes[one.axis], facts.plan.axes[two.axis]
    for what, first, second, per in (
        ("goes", one.target - one.start, two.target - two.start, ""),
        ("moves at", one.speed, two.speed, "/s"),
        ("accelerates at", one.acceleration, two.acceleration, "/s^2"),
        ("has a jerk of", one.jerk or 0, two.jerk or 0, "/s^3"),
    ):
        why = _other(left, right, what, (first, second), per)
        if why is not None:
            return why
    return None
