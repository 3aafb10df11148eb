"""
The two sides of a pair are moved together, alike.

One side moved alone, by another distance, at another speed or with other ramps racks the beam (practice.md P9, P24).
A pair is moved by its name; its sides are named only where one is looked at.

Passes:

    steps:
      - move: {beam: {to: 300 mm}}

Fails:

    steps:
      - move: {beam_left: {to: 300 mm}}
"""

from collections.abc import Iterator, Sequence

from choreo.checks.facts import Facts, in_words
from choreo.checks.scenes import Scene
from choreo.diagnostic import Finding, Level, Mark
from choreo.plan.model import AxisMove, Move, PairPlan, Plan, Trigger

ID, LEVEL, READS = "pair-together", Level.ERROR, Plan


def check(facts: Facts) -> Iterator[Finding]:
    """What each start sets off: a trigger, and each stage of a move."""
    for scene in facts.scenes:
        action = scene.step.action
        if isinstance(action, Trigger):
            groups: Sequence[tuple[AxisMove, ...]] = (action.moves,)
        elif isinstance(action, Move):
            groups = action.groups
        else:
            continue
        for group in groups:
            for pair in facts.plan.pairs:
                sides = [move for move in group if move.axis in pair.axes]
                if sides:
                    yield from _judge(facts, scene, pair, sides)


def _judge(facts: Facts, scene: Scene, pair: PairPlan, sides: list[AxisMove]) -> Iterator[Finding]:
    first = sides[0]
    why = _alone(facts, pair, first) if len(sides) == 1 else _unlike(facts, sides)
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
        if first != second:
            words = in_words(first, left, per), in_words(second, right, per)
            return f"{left.name} {what} {words[0]} and {right.name} {words[1]}"
    return None
