"""
Before it is homed, an axis stays slow and near to where it was found.

Nobody knows yet where the axis stands, so the soft limits say nothing: the `unhomed` limits of speed and distance
hold instead (practice.md P21). They hold for the search of homing too.

Passes:

    # from the start
    steps:
      - configure: {carriage: {speed: 500 mm/s, acceleration: 1500 mm/s^2, jerk: 15000 mm/s^3, quick_stop: 4000 mm/s^2}}
      - enable: carriage
      - move: {carriage: {by: 5 mm, speed: 10 mm/s}}

Fails:

    # from the start
    steps:
      - configure: {carriage: {speed: 500 mm/s, acceleration: 1500 mm/s^2, jerk: 15000 mm/s^3, quick_stop: 4000 mm/s^2}}
      - enable: carriage
      - move: {carriage: {by: 5 mm, speed: 100 mm/s}}
"""

from collections.abc import Iterator
from fractions import Fraction

from choreo.checks.facts import Facts, in_words
from choreo.diagnostic import Finding, Level, Mark, Span
from choreo.plan.model import Anchor, AxisPlan, Home, Plan
from choreo.text import Text

ID, LEVEL, READS = "unhomed-limit", Level.ERROR, Plan


def check(facts: Facts) -> Iterator[Finding]:
    """Moves from where an axis was found, and the searches of homing."""
    for scene, move in facts.moves():
        if move.anchor is Anchor.START:
            axis = facts.plan.axes[move.axis]
            place = move.place or scene.step.place
            farthest = max(abs(move.target + end) for end in move.target_spread)
            yield from _distance(facts, axis, farthest, place, "would be moved")
            yield from _speed(facts, axis, move.speed, move.speed_place or place, "would move")
    for scene in facts.scenes:
        action = scene.step.action
        if isinstance(action, Home):
            for index in action.axes:
                axis = facts.plan.axes[index]
                homing = facts.recipe.homing[Text(axis.pair or axis.name)]
                yield from _distance(facts, axis, action.within, homing.within.span, "would search its switch")
                yield from _speed(facts, axis, action.search, homing.search.span, "would search its switch")


def _distance(facts: Facts, axis: AxisPlan, distance: Fraction, place: Span, does: str) -> Iterator[Finding]:
    most, limit = axis.limits.unhomed_distance, facts.recipe.unhomed[axis.name].distance
    if distance > most and limit is not None:
        yield Finding(
            ID,
            f"{facts.called(axis.index)} {does} up to {in_words(distance, axis)} from where it was found; before it is "
            f"homed, {in_words(most, axis)} are allowed",
            Mark(place, f"{in_words(distance - most, axis)} too far"),
            (Mark(limit.span, "the limit before home"),),
            "Home the axis first, or shorten the move.",
            level=LEVEL,
        )


def _speed(facts: Facts, axis: AxisPlan, speed: Fraction, place: Span, does: str) -> Iterator[Finding]:
    most, limit = axis.limits.unhomed_speed, facts.recipe.unhomed[axis.name].speed
    if speed > most and limit is not None:
        yield Finding(
            ID,
            f"{facts.called(axis.index)} {does} at {in_words(speed, axis, '/s')}; before it is homed, "
            f"{in_words(most, axis, '/s')} are allowed",
            Mark(place, f"{in_words(speed - most, axis, '/s')} too fast"),
            (Mark(limit.span, "the limit before home"),),
            f"Give the step a `speed` of {in_words(most, axis, '/s')} or less, or home the axis first.",
            level=LEVEL,
        )
