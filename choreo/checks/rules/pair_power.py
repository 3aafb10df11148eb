"""
Both sides of a pair lose their power together.

A side without power is dragged along by the other, or holds it back: the beam racks at the next motion, or at the next
push (practice.md P9, P17).

Passes:

    steps:
      - disable: beam

Fails:

    steps:
      - disable: beam_left
      - dwell: 250 ms
"""

from collections.abc import Iterator

from choreo.checks.facts import Facts
from choreo.diagnostic import Finding, Level, Mark
from choreo.plan.model import Disable, Plan

ID, LEVEL, READS = "pair-power", Level.ERROR, Plan


def check(facts: Facts) -> Iterator[Finding]:
    """Each `disable` that leaves one side of a pair under power."""
    for scene in facts.scenes:
        action = scene.step.action
        if not isinstance(action, Disable):
            continue
        for pair in facts.plan.pairs:
            off = [axis for axis in pair.axes if axis in action.axes]
            on = [axis for axis in pair.axes if axis not in action.axes and axis in scene.axes.enabled]
            if off and on:
                names = facts.plan.axes
                yield Finding(
                    ID,
                    f"{names[off[0]].name} would lose its power in step {scene.step.path}, and {names[on[0]].name}, "
                    f"the other side of {pair.name}, would not",
                    Mark(scene.step.place, "one side"),
                    (),
                    f"Disable the pair by its name: `{pair.name}`.",
                    level=LEVEL,
                )
