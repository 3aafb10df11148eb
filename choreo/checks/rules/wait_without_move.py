"""
What is waited for has been told where to go.

A wait for an axis that never got a target, or whose move is loaded and not yet started, would wait for another
position than the reader thinks, or to its timeout.

Passes:

    steps:
      - preload: {carriage: {by: 300 mm}}
      - trigger: carriage
      - wait_for_position: {axes: carriage, within: 0.1 mm, for: 60 ms}

Fails:

    steps:
      - preload: {carriage: {by: 300 mm}}
      - wait_for_position: {axes: carriage, within: 0.1 mm, for: 60 ms}
      - trigger: carriage
"""

from collections.abc import Iterator

from choreo.checks.facts import Facts
from choreo.diagnostic import Finding, Level, Mark
from choreo.plan.model import Plan, WaitForPosition
from choreo.recipe.steps import WaitForPositionStep

ID, LEVEL, READS = "wait-without-move", Level.ERROR, Plan


def check(facts: Facts) -> Iterator[Finding]:
    """Waits, against what was started before them."""
    index = {axis.name: axis.index for axis in facts.plan.axes}
    for scene in facts.scenes:
        if not isinstance(scene.step.action, WaitForPosition):
            continue
        step = facts.written(scene)
        assert isinstance(step, WaitForPositionStep)
        for name in step.wait_for_position.axes:
            for axis in (index[axis] for axis in facts.recipe.axes_of(name)):
                load = scene.axes.loaded.get(axis)
                if load is None and axis in scene.axes.told:
                    continue
                why = "has not been told to move" if load is None else "holds a move that has not been started"
                yield Finding(
                    ID,
                    f"step {scene.step.path} waits for {facts.called(axis)}, which {why}",
                    Mark(name.span, "nothing to wait for"),
                    () if load is None or load.place is None else (Mark(load.place, "loaded here"),),
                    f"Put `- trigger: {name}` before the wait."
                    if load
                    else "Take it out of the wait, or move it before.",
                    level=LEVEL,
                )
