"""
A motor does not turn faster than servo motors usually do.

The turns of the motor at the speed limit are the first check of a scale: a gear the wrong way round or a lead in the
wrong unit shows at once (practice.md P27). 400 mm/s on a 20 mm lead at 5:1 is 6000 turns a minute; few motors turn
faster (common practice, no source). The motor's own figure is on its plate.

Passes:

    limits:
      carriage: {speed: 500 mm/s}

Fails:

    axes:
      carriage: {scale: {gear: {motor: 80, output: 1}}}
"""

from collections.abc import Iterator

from choreo.checks.facts import Facts, in_words
from choreo.diagnostic import Finding, Level, Mark
from choreo.plan.model import Plan
from choreo.text import Text
from choreo.units import show

ID, LEVEL, READS = "motor-speed", Level.WARNING, Plan

#: Turns a minute above which is warned.
USUAL = 6000


def check(facts: Facts) -> Iterator[Finding]:
    """The speed limit of each axis, at its motor."""
    for axis in facts.plan.axes:
        scale = facts.recipe.axes[Text(axis.name)].scale
        turns = axis.limits.speed * abs(axis.counts_per_unit) / int(scale.counts_per_motor_rev) * 60
        limit = facts.recipe.limits[axis.name].speed
        if turns > USUAL and limit is not None:
            yield Finding(
                ID,
                f"the motor of {axis.name} would make {show(turns, 'rev/min', 0)} at the axis' limit of "
                f"{in_words(axis.limits.speed, axis, '/s')}; more than {USUAL} rev/min are unusual",
                Mark(limit.span, f"{show(turns, 'rev/min', 0)} at the motor"),
                (Mark(scale.gear.motor.span, "the gear"),),
                "Look at the scale of the axis (gear, travel of a turn), then at the plate of the motor.",
                level=LEVEL,
            )
