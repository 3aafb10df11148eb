"""
A person is not asked the same thing again and again.

Whoever has typed `yes` ten times types it the eleventh time without looking. Ask once, before the repeat, or ask about
something that really is another thing each time, and know that it will be answered without a look.

Passes:

    steps:
      - confirm: "The shelf is on the fork"
      - repeat: 5
        steps:
          - move: {carriage: {to: 300 mm}}
          - move: {carriage: {to: 100 mm}}

Fails:

    steps:
      - repeat: 5
        steps:
          - confirm: "The shelf is on the fork"
          - move: {carriage: {to: 300 mm}}
          - move: {carriage: {to: 100 mm}}
"""

from collections.abc import Iterable, Iterator

from choreo.checks.facts import Facts
from choreo.diagnostic import Finding, Level, Mark
from choreo.recipe.flow_steps import ConfirmStep, ForEachStep, ResetFaultStep
from choreo.recipe.model import Recipe
from choreo.recipe.step import Step
from choreo.recipe.steps import RepeatStep

ID, LEVEL, READS = "confirm-repeated", Level.WARNING, Recipe


def check(facts: Facts) -> Iterator[Finding]:
    """Questions inside of what is gone through several times."""
    said: set[int] = set()
    for step in facts.written_steps:
        if _several(step):
            yield from _asked(step.inside, step, said)


def _several(step: Step) -> bool:
    return (isinstance(step, RepeatStep) and step.repeat > 1) or (isinstance(step, ForEachStep) and len(step.steps) > 1)


def _asked(steps: Iterable[Step], around: Step, said: set[int]) -> Iterator[Finding]:
    for step in steps:
        if step.serial in said:
            continue
        said.add(step.serial)
        if isinstance(step, ConfirmStep | ResetFaultStep):
            yield Finding(
                ID,
                f"`{step.verb}` stands inside a `{around.verb}`: whoever is asked often answers without looking",
                Mark(step.place, "asked every time"),
                (Mark(around.place, "gone through several times"),),
                f"Ask once, before the `{around.verb}`.",
                level=LEVEL,
            )
        yield from _asked(step.inside, around, said)
