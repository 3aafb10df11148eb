"""
No move is faster than the speed that its drive was configured with.

The configured speed is the drive's own ceiling. A drive refuses a faster move, or is slower than predicted, depending
on its maker.

Passes:

    steps:
      - configure: {carriage: {speed: 200 mm/s}}
      - move: {carriage: {to: 300 mm, speed: 150 mm/s}}

Fails:

    steps:
      - configure: {carriage: {speed: 200 mm/s}}
      - move: {carriage: {to: 300 mm, speed: 250 mm/s}}
"""

from collections.abc import Iterator
from fractions import Fraction

from choreo.checks.facts import Facts, in_words
from choreo.checks.scenes import Scene
from choreo.diagnostic import Finding, Level, Mark, Span
from choreo.plan.model import Home, Plan
from choreo.text import Text
from choreo.wire.words import Setting

ID, LEVEL, READS = "drive-ceiling", Level.ERROR, Plan


def check(facts: Facts) -> Iterator[Finding]:
    """Moves, and the searches of homing."""
    for scene, move in facts.moves():
        yield from _judge(facts, scene, move.axis, move.speed, move.speed_place or scene.step.place)
    for scene in facts.scenes:
        action = scene.step.action
        if isinstance(action, Home):
            for axis in action.axes:
                plan = facts.plan.axes[axis]
                place = facts.recipe.homing[Text(plan.pair or plan.name)].search.span
                yield from _judge(facts, scene, axis, action.search, place)


def _judge(facts: Facts, scene: Scene, axis: int, speed: Fraction, place: Span) -> Iterator[Finding]:
    ceiling = facts.real(scene.axes, axis, Setting.SPEED)
    plan, name = facts.plan.axes[axis], facts.called(axis)
    if ceiling is None or speed <= ceiling or speed > plan.limits.speed:  # above the limit: that rule has said it
        return
    most = in_words(ceiling, plan, "/s")
    yield Finding(
        ID,
        f"{name} would move at {in_words(speed, plan, '/s')} in step {scene.step.path}, and its drive was "
        f"configured with {most} at most",
        Mark(place, f"{in_words(speed - ceiling, plan, '/s')} above the drive's ceiling"),
        (),
        f"Lower this speed to {most}, or configure {name} with a higher one.",
        level=LEVEL,
    )
