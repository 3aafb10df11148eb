"""
An axis is homed only where its drive captures the edge of the switch.

Homing on a switch that is polled is as inexact as the poll is slow: at 60 mm/s a look every 20 ms leaves 1.2 mm.
Without a latch in the drive homing is refused (practice.md P19).

Passes:

    steps:
      - home: carriage

Fails:

    axes:
      carriage: {dialect: ./latchless.yaml}
    steps:
      - home: carriage
"""

from collections.abc import Iterator

from choreo.checks.facts import Facts
from choreo.diagnostic import Finding, Level, Mark
from choreo.plan.model import Home, Plan
from choreo.text import Text

ID, LEVEL, READS = "homing-latch", Level.ERROR, Plan


def check(facts: Facts) -> Iterator[Finding]:
    """Each homing against the dialects of its axes."""
    for scene in facts.scenes:
        if not isinstance(scene.step.action, Home):
            continue
        for index in scene.step.action.axes:
            axis = facts.plan.axes[index]
            if not facts.dialect(index).can_latch:
                yield Finding(
                    ID,
                    f"{axis.name} would be homed in step {scene.step.path}, and its dialect {axis.dialect} has no "
                    "latch for the edge of its switch",
                    Mark(scene.step.place, "cannot be homed"),
                    (Mark(facts.recipe.axes[Text(axis.name)].dialect.span, "the dialect"),),
                    "Describe the drive's latch in the dialect, if it has one.",
                    level=LEVEL,
                )
