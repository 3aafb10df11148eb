"""
A window of arrival is wider than the noise of the encoder.

Two readings of an axis that stands differ by up to its noise. In a window narrower than that, it arrives by luck.

Passes:

    steps:
      - move: {carriage: {to: 300 mm}}
        within: 0.05 mm

Fails:

    axes:
      carriage: {noise: 200 counts}
    steps:
      - move: {carriage: {to: 300 mm}}
        within: 0.05 mm
"""

from collections.abc import Iterator
from fractions import Fraction

from choreo.checks.facts import Facts, in_words
from choreo.checks.scenes import Scene
from choreo.diagnostic import Finding, Level, Mark, Span
from choreo.plan.model import Expect, Move, Plan, WaitForPosition
from choreo.recipe.steps import ExpectStep, MoveStep, WaitForPositionStep
from choreo.text import Text

ID, LEVEL, READS = "window-below-noise", Level.WARNING, Plan


def check(facts: Facts) -> Iterator[Finding]:
    """Moves, waits and expectations."""
    for scene in facts.scenes:
        for index, within in _windows(scene):
            axis = facts.plan.axes[index]
            noise = axis.noise_counts / abs(axis.counts_per_unit)
            given = facts.recipe.axes[Text(axis.name)].noise
            if within < noise and given is not None:
                yield Finding(
                    ID,
                    f"{facts.called(index)} is to be within {in_words(within, axis)} in step {scene.step.path}, and "
                    f"two readings at rest may differ by {in_words(noise, axis)}",
                    Mark(_place(facts, scene), "narrower than the noise"),
                    (Mark(given.span, "the noise"),),
                    f"Widen the window to {in_words(2 * noise, axis)} or more.",
                    level=LEVEL,
                )


def _windows(scene: Scene) -> list[tuple[int, Fraction]]:
    action = scene.step.action
    if isinstance(action, Move):
        return list(action.within.items())
    if isinstance(action, WaitForPosition):
        return list(zip(action.axes, action.within, strict=True))
    return [(action.axis, action.within)] if isinstance(action, Expect) else []


def _place(facts: Facts, scene: Scene) -> Span:
    step = facts.written(scene)
    if isinstance(step, MoveStep) and step.within is not None:
        return step.within.span
    if isinstance(step, WaitForPositionStep):
        return step.wait_for_position.within.span
    return step.expect.within.span if isinstance(step, ExpectStep) else step.place
