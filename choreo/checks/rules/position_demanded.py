"""
The position that is watched is the actual one.

A drive that reports where it should be, not where it is, follows its own prediction perfectly, also with the motor
unplugged: watching the demand proves nothing (practice.md P11). Nothing is moved on such readings, no brake released,
nothing expected; a stop declares such an axis unproven.

Passes:

    steps:
      - move: {carriage: {to: 300 mm}}

Fails:

    axes:
      carriage: {dialect: ./demanded.yaml}
    steps:
      - move: {carriage: {to: 300 mm}}
"""

from collections.abc import Iterator

from choreo.checks.facts import Facts
from choreo.diagnostic import Finding, Level, Mark
from choreo.plan.model import Enable, Expect, Plan
from choreo.text import Text

ID, LEVEL, READS = "position-demanded", Level.ERROR, Plan


def check(facts: Facts) -> Iterator[Finding]:
    """Every axis whose reading the recipe relies on."""
    relied = _relied_on(facts)
    for axis in facts.plan.axes:
        if axis.index in relied and facts.dialect(axis.index).position_is == "demanded":
            yield Finding(
                ID,
                f"{axis.name} reports the position that its drive demands, not the actual one: nothing that it does "
                "could be watched",
                Mark(facts.recipe.axes[Text(axis.name)].dialect.span, "says `position: {is: demanded}`"),
                (),
                "Look in the drive's manual for a message with the actual position, and name it in the dialect.",
                level=LEVEL,
            )


def _relied_on(facts: Facts) -> set[int]:
    """What is moved, what must not sag when its brake is released, what is expected somewhere."""
    found = {axis for _, axis, _ in facts.motions()}
    for scene in facts.scenes:
        action = scene.step.action
        if isinstance(action, Enable):
            found |= {axis for axis in action.axes if facts.plan.axes[axis].brake is not None}
        elif isinstance(action, Expect):
            found.add(action.axis)
    return found
