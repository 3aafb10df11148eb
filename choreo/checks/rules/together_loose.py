"""
Axes that shall arrive together set off from known places.

After a `move_until` only the run knows where the axis stands. The speeds that make all arrive together are computed
before, for the longest way that it may be, so it arrives earlier than the others.

Passes:

    inputs:
      probe: {axis: carriage, input: input_1}
    steps:
      - move_until: {carriage: {to: 300 mm, speed: 20 mm/s}, until: {input: probe, is: on}}
      - move: {carriage: {to: 300 mm}}
      - move: {carriage: {to: 100 mm}, lift: {to: 300 mm}}
        arrive: together

Fails:

    inputs:
      probe: {axis: carriage, input: input_1}
    steps:
      - move_until: {carriage: {to: 300 mm, speed: 20 mm/s}, until: {input: probe, is: on}}
      - move: {carriage: {to: 100 mm}, lift: {to: 300 mm}}
        arrive: together
"""

from collections.abc import Iterator

from choreo.checks.facts import Facts
from choreo.checks.scenes import loaded_by
from choreo.diagnostic import Finding, Level, Mark
from choreo.plan.model import Plan
from choreo.plan.signals import CERTAIN
from choreo.recipe.steps import MoveStep, PreloadStep

ID, LEVEL, READS = "together-loose", Level.WARNING, Plan


def check(facts: Facts) -> Iterator[Finding]:
    """Moves with `arrive: together` whose way is not known before."""
    for scene in facts.scenes:
        loose = [move for move in loaded_by(scene.step) if move.loose and move.target_spread == CERTAIN]
        step = facts.written(scene)
        if not loose or not isinstance(step, MoveStep | PreloadStep) or step.arrive is None:
            continue
        yield Finding(
            ID,
            f"{facts.names(move.axis for move in loose)} sets off from where an input ended its last move, so in step "
            f"{scene.step.path} it does not arrive together with the others",
            Mark(loose[0].place or scene.step.place, "from a place that is not known yet"),
            (),
            "Move it `to` a known place first.",
            level=LEVEL,
        )
