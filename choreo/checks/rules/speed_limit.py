"""
No speed is above the limit of its axis.

This looks at what is written: the speed of a move, the speed that a drive is configured with, the speeds of homing. A
pace makes a run slower, but it does not make a recipe lawful.

Passes:

    steps:
      - move: {lift: {to: 300 mm, speed: 120 mm/s}}

Fails:

    steps:
      - move: {lift: {to: 300 mm, speed: 130 mm/s}}
"""

from collections.abc import Iterator

from choreo.checks.facts import Facts
from choreo.diagnostic import Finding, Level, Mark
from choreo.recipe.input_steps import MoveUntilStep
from choreo.recipe.model import Recipe
from choreo.recipe.scalars import Amount
from choreo.recipe.steps import ConfigureStep, MoveStep, PreloadStep, Step
from choreo.units import show

ID, LEVEL, READS = "speed-limit", Level.ERROR, Recipe


def check(facts: Facts) -> Iterator[Finding]:
    """By axis and speed as written."""
    for step in facts.steps:
        for axis, amount in _speeds(facts.recipe, step):
            yield from _judge(facts, axis, amount, "would move")
    for group, homing in facts.recipe.homing.items():
        for axis in facts.recipe.axes_of(group):
            for amount in (homing.search, homing.crawl):
                yield from _judge(facts, axis, amount, "would be homed")


def _speeds(recipe: Recipe, step: Step) -> Iterator[tuple[str, Amount]]:
    if isinstance(step, ConfigureStep):
        for group, settings in step.configure.items():
            if settings.speed is not None:
                yield from ((axis, settings.speed) for axis in recipe.axes_of(group))
    elif isinstance(step, MoveUntilStep):
        for group, way in step.move_until.by_group.items():
            speed = way.speed or step.speed
            if speed is not None:
                yield from ((axis, speed) for axis in recipe.axes_of(group))
    elif isinstance(step, MoveStep | PreloadStep):
        targets = step.move if isinstance(step, MoveStep) else step.preload
        if targets.position is not None and step.speed is not None:
            yield from ((axis, step.speed) for axis in recipe.axes_of(recipe.positions[targets.position]))
        for group, target in targets.by_group.items():
            speed = target.speed or step.speed
            if speed is not None:
                yield from ((axis, speed) for axis in recipe.axes_of(group))


def _judge(facts: Facts, name: str, amount: Amount, does: str) -> Iterator[Finding]:
    recipe = facts.recipe
    unit = f"{facts.unit(name)}/s"
    limit = recipe.limits[name].speed
    if limit is None:
        return
    speed, most = facts.value(amount, unit), facts.value(limit, unit)
    if speed is not None and most is not None and speed > most:
        yield Finding(
            ID,
            f"{recipe.pair_of(name) or name} {does} at {show(speed, unit)}, above its limit of {show(most, unit)}",
            Mark(amount.span, f"{show(speed - most, unit)} too fast"),
            (Mark(limit.span, "the limit"),),
            f"Lower the speed to {show(most, unit)}, or raise the limit if the drive and the machine allow it.",
            level=LEVEL,
        )
