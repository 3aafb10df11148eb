"""
What has a name of its own in the report moves something.

The figures of a part that is recorded by name (`record`) are those of motions: ranges, deviations, skew, starts. A part
without any has a time and nothing else, which the table of steps says as well.

Passes:

    steps:
      - record: along
        steps:
          - move: {carriage: {to: 300 mm}}

Fails:

    steps:
      - record: along
        steps:
          - dwell: 1 s
"""

from collections.abc import Iterable, Iterator

from choreo.checks.facts import Facts
from choreo.diagnostic import Finding, Level, Mark
from choreo.recipe.flow_steps import RecordStep
from choreo.recipe.model import Recipe
from choreo.recipe.step import Step

ID, LEVEL, READS = "record-empty", Level.WARNING, Recipe

#: Verbs that set an axis in motion.
MOVING = frozenset({"move", "move_until", "trigger", "home"})


def check(facts: Facts) -> Iterator[Finding]:
    """Named parts, wherever they stand."""
    for step in facts.written_steps:
        if isinstance(step, RecordStep) and not _moves(step.inside, set()):
            yield Finding(
                ID,
                f"nothing moves in `{step.record}`: the report has no figures for it but its time",
                Mark(step.record.span),
                (),
                "Put it around the steps that move, or take it out.",
                level=LEVEL,
            )


def _moves(steps: Iterable[Step], seen: set[int]) -> bool:
    for step in steps:
        if step.serial not in seen:
            seen.add(step.serial)
            if step.verb in MOVING or _moves(step.inside, seen):
                return True
    return False
