"""
What is expected is where the plan puts the axis.

An expectation that the recipe's own moves cannot fulfil fails on every run, however well the machine does.

Passes:

    steps:
      - move: {carriage: {to: 300 mm}}
      - expect: {axis: carriage, position: 300 mm, within: 0.1 mm}

Fails:

    steps:
      - move: {carriage: {to: 300 mm}}
      - expect: {axis: carriage, position: 310 mm, within: 0.1 mm}
"""

from collections.abc import Iterator

from choreo.checks.facts import Facts, in_words
from choreo.checks.scenes import Scene
from choreo.diagnostic import Finding, Level, Mark
from choreo.plan.model import Anchor, Expect, Plan
from choreo.recipe.steps import ExpectStep

ID, LEVEL, READS = "expectation", Level.ERROR, Plan


def check(facts: Facts) -> Iterator[Finding]:
    """Expectations of homed axes."""
    for scene in facts.scenes:
        if isinstance(scene.step.action, Expect):
            yield from _judge(facts, scene, scene.step.action)


def _judge(facts: Facts, scene: Scene, action: Expect) -> Iterator[Finding]:
    anchor, planned = scene.axes.stands.get(action.axis, (Anchor.START, action.position))
    away = abs(planned - action.position)
    if anchor is not Anchor.HOME or away <= action.within:
        return
    step, axis = facts.written(scene), facts.plan.axes[action.axis]
    assert isinstance(step, ExpectStep)
    yield Finding(
        ID,
        f"step {scene.step.path} expects {axis.name} at {in_words(action.position, axis)} within "
        f"{in_words(action.within, axis)}, and the moves before it lead to {in_words(planned, axis)}",
        Mark(step.expect.position.span, f"{in_words(away, axis)} from where it will be"),
        (),
        f"Expect {in_words(planned, axis)}, or look at the moves before this step.",
        level=LEVEL,
    )
