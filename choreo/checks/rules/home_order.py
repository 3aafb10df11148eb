"""
Axes are homed in the machine's order.

What can collide goes out of the way first (practice.md P20): while nobody knows where the lift hangs, a beam that
searches its switch carries it into whatever stands in the way. The machine file gives the order as `homing_order`,
stage by stage; no axis of a stage is homed before every axis of the stages before it has been.

Passes:

    # from the start
    homing_order: [lift, beam]
    steps:
      - configure: {all: {speed: 80 mm/s, acceleration: 400 mm/s^2, jerk: 4000 mm/s^3, quick_stop: 1500 mm/s^2}}
      - enable: all
      - home: lift
      - home: beam

Fails:

    # from the start
    homing_order: [lift, beam]
    steps:
      - configure: {all: {speed: 80 mm/s, acceleration: 400 mm/s^2, jerk: 4000 mm/s^3, quick_stop: 1500 mm/s^2}}
      - enable: all
      - home: beam
      - home: lift
"""

from collections.abc import Iterator

from choreo.checks.facts import Facts
from choreo.checks.scenes import Scene
from choreo.diagnostic import Finding, Level, Mark, Span
from choreo.plan.model import Home, Plan
from choreo.recipe.steps import HomeStep
from choreo.text import Text

ID, LEVEL, READS = "home-order", Level.ERROR, Plan


def check(facts: Facts) -> Iterator[Finding]:
    """Each homing against the stages before its own. What is missing is said once."""
    index = {axis.name: axis.index for axis in facts.plan.axes}
    order = [
        (name, stage, index[axis])
        for stage, names in enumerate(facts.recipe.homing_order)
        for name in names
        for axis in facts.recipe.axes_of(name)
    ]
    said: set[int] = set()
    for scene in facts.scenes:
        action = scene.step.action
        if not isinstance(action, Home):
            continue
        own = next(((name, stage) for name, stage, axis in order if axis in action.axes), None)
        if own is None:
            continue
        missing = {axis: name for name, stage, axis in order if stage < own[1] and axis not in scene.axes.homed}
        if not said.issuperset(missing):
            yield _finding(facts, scene, action, list(dict.fromkeys(missing.values())), own[0])
        said |= set(missing)


def _finding(facts: Facts, scene: Scene, action: Home, missing: list[Text], own: Text) -> Finding:
    first = " and ".join(missing)
    return Finding(
        ID,
        f"{facts.names(action.axes)} would be homed in step {scene.step.path} before {first}, which the machine homes "
        "first",
        Mark(_place(facts, scene, action), f"not yet homed here: {first}"),
        (Mark(own.span, "the machine's order"),),
        f"Put `- home: {missing[0]}` before this step.",
        level=LEVEL,
    )


def _place(facts: Facts, scene: Scene, action: Home) -> Span:
    """The name in the step, or `all`."""
    step = facts.written(scene)
    assert isinstance(step, HomeStep)
    index = {facts.plan.axes[axis].name for axis in action.axes}
    return next((name.span for name in step.home if index <= set(facts.recipe.axes_of(name))), step.place)
