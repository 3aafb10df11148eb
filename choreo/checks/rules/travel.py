"""
Every move of a homed axis ends within its travel.

The path of each axis is followed exactly through the whole recipe, `by` moves and repeats included, so the step that
would leave the travel is found however long the way to it is. After a `move_until` an axis may stand anywhere on its
way; a `by` that follows is looked at from both ends of it. Before home there is no travel (practice.md P21): see
unhomed-limit.

Passes:

    steps:
      - move: {carriage: {to: 1000 mm}}
      - move: {carriage: {by: 300 mm}}

Fails:

    steps:
      - move: {carriage: {to: 1000 mm}}
      - move: {carriage: {by: 301 mm}}
"""

from collections.abc import Iterator
from fractions import Fraction

from choreo.checks.facts import Facts, in_words
from choreo.diagnostic import Finding, Level, Mark, Span
from choreo.plan.model import Anchor, AxisPlan, Home, Plan
from choreo.text import Text

ID, LEVEL, READS = "travel", Level.ERROR, Plan


def check(facts: Facts) -> Iterator[Finding]:
    """Targets of moves, and where homing leaves the axes."""
    for scene, move in facts.moves():
        if move.anchor is Anchor.HOME:
            axis = facts.plan.axes[move.axis]
            place, when = move.place or scene.step.place, f"step {scene.step.path}"
            worst = max((move.target + end for end in move.target_spread), key=lambda target: _beyond(axis, target))
            yield from _judge(facts, axis, worst, place, when)
    for scene in facts.scenes:
        if isinstance(scene.step.action, Home):
            for index in scene.step.action.axes:
                axis = facts.plan.axes[index]
                yield from _judge(facts, axis, scene.step.action.rest_at, _rest(facts, axis), "homing")


def _beyond(axis: AxisPlan, target: Fraction) -> Fraction:
    low, high = axis.limits.travel
    return max(low - target, target - high)


def _rest(facts: Facts, axis: AxisPlan) -> Span:
    return facts.recipe.homing[Text(axis.pair or axis.name)].rest_at.span


def _judge(facts: Facts, axis: AxisPlan, target: Fraction, place: Span, when: str) -> Iterator[Finding]:
    low, high = axis.limits.travel
    if low <= target <= high:
        return
    ends = facts.recipe.limits[axis.name].travel
    beyond = low - target if target < low else target - high
    yield Finding(
        ID,
        f"{facts.called(axis.index)} would end at {in_words(target, axis)}, {in_words(beyond, axis)} beyond its travel "
        f"of {in_words(low, axis)} to {in_words(high, axis)} ({when})",
        Mark(place, f"leads to {in_words(target, axis)}"),
        (Mark(ends[0 if target < low else 1].span, "the end of the travel"),) if ends else (),
        "Shorten the move, or look at the moves before it: `by` counts from the last target.",
        level=LEVEL,
    )
