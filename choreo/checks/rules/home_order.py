"""
Axes are homed in the machine's order.

What can collide goes out of the way first (practice.md P20): while nobody knows where the lift hangs, a beam that searches
its switch carries it into whatever stands in the way. The machine file gives the order as `homing_order`, stage by stage;
no axis of a stage is homed before every axis of the stages before it has been.

Passes:

    # from the start
    steps:
      - configure: {all: {speed: 80 mm/s, acceleration: 400 mm/s^2, jerk: 4000 mm/s^3, quick_stop: 1500 mm/s^2}}
      - enable: all
      - home: lift
      - home: beam

Fails:

    # from the start
    steps:
      - configure: {all: {speed: 80 mm/s, acceleration: 400 mm/s^2, jerk: 4000 mm/s^3, quick_stop: 1500 mm/s^2}}
      - enable: all
      - home: beam
      - home: lift
"""

from collections.abc import Iterator

from choreo.checks.facts import Facts
from choreo.checks.scenes import Scene
from choreo.diagnostic import Finding, Level, Mark
from choreo.plan.model import Home, Plan
from choreo.text import Text

ID, LEVEL, READS = "home-order", Level.ERROR, Plan


def check(facts: Facts) -> Iterator[Finding]:
    """Each homing against the stages before its own."""
    index = {axis.name: axis.index for axis in facts.plan.axes}
    stages = [
        (stage, {index[axis] for axis in facts.recipe.axes_of(stage)}) for stage in facts.recipe.homing_order
    ]
    for scene in facts.scenes:
        action = scene.step.action
        if not isinstance(action, Home):
            continue
        before: set[int] = set()
        for stage, axes in stages:
            if axes.intersection(action.axes):
                missing = before - scene.axes.homed
                if missing:
                    yield _finding(facts, scene, action, missing, stage[0])
                break
            before |= axes


def _finding(facts: Facts, scene: Scene, action: Home, missing: set[int], stage: Text) -> Finding:
    name, first = facts.names(action.axes), facts.names(missing)
    return Finding(
        ID,
        f"{name} would be homed in step {scene.step.path} before {first}: the machine homes {first} first",
        Mark(scene.step.place, f"{first} has not been homed here"),
        (Mark(stage.span, "the machine's order"),),
        f"Put `- home: {first.split(' and ')[0]}` before this step.",
        level=LEVEL,
    )
