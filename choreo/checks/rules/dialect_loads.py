"""
A drive whose loads pile up and cannot be cleared is not used with loads.

Where a second load queues behind the first or is added to it, and nothing clears a load, nobody can bring the drive
to a known, empty load; what the next start sets off is then anybody's guess (practice.md P1). `move` loads too.

Passes:

    steps:
      - move: {carriage: {to: 300 mm}}

Fails:

    axes:
      carriage: {dialect: ./queueing.yaml}
    steps:
      - move: {carriage: {to: 300 mm}}
"""

from collections.abc import Iterator

from choreo.checks.facts import Facts
from choreo.diagnostic import Finding, Level, Mark
from choreo.plan.model import Plan
from choreo.text import Text

ID, LEVEL, READS = "dialect-loads", Level.ERROR, Plan


def check(facts: Facts) -> Iterator[Finding]:
    """The first load of each axis that speaks such a dialect."""
    told: set[int] = set()
    for scene, move in facts.moves():
        rules = facts.dialect(move.axis).loads
        if move.axis in told or rules.second_load not in ("queues", "adds") or rules.cleared_by:
            continue
        told.add(move.axis)
        axis = facts.plan.axes[move.axis]
        piles = "queues behind the first" if rules.second_load == "queues" else "is added to the first"
        yield Finding(
            ID,
            f"{axis.name} is loaded in step {scene.step.path}, and in its dialect {axis.dialect} a second load {piles} "
            "and nothing clears one",
            Mark(move.place or scene.step.place, "loads it"),
            (Mark(facts.recipe.axes[Text(axis.name)].dialect.span, "the dialect"),),
            "Such a drive cannot be started together with others; look in its manual for a command that clears a load.",
            level=LEVEL,
        )
