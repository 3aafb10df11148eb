"""
A drive whose loads pile up and cannot be cleared, or stay after the trigger, is not used with loads.

Where a second load queues behind the first or is added to it, and nothing clears a load, nobody can bring the drive
to a known, empty load; what the next start sets off is then anybody's guess. A load that is kept at the trigger runs
again at the next one, of anybody, unless every such drive is loaded with nothing before each trigger, which is not
done yet (practice.md P1). `move` loads too.

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
from choreo.wire.dialect import LoadRules

ID, LEVEL, READS = "dialect-loads", Level.ERROR, Plan


def check(facts: Facts) -> Iterator[Finding]:
    """The first load of each axis that speaks such a dialect."""
    told: set[int] = set()
    for scene, move in facts.moves():
        rules = facts.dialect(move.axis).loads
        trouble = _trouble(rules)
        if move.axis in told or not trouble:
            continue
        told.add(move.axis)
        axis = facts.plan.axes[move.axis]
        yield Finding(
            ID,
            f"{axis.name} is loaded in step {scene.step.path}, and in its dialect {axis.dialect} {trouble}",
            Mark(move.place or scene.step.place, "loads it"),
            (Mark(facts.recipe.axes[Text(axis.name)].dialect.span, "the dialect"),),
            "Such a drive cannot be started together with others; look in its manual for a command that clears a load.",
            level=LEVEL,
        )


def _trouble(rules: LoadRules) -> str:
    """Why loads of this kind cannot be trusted; empty when they can."""
    if rules.second_load in ("queues", "adds") and not rules.cleared_by:
        piles = "queues behind the first" if rules.second_load == "queues" else "is added to the first"
        return f"a second load {piles} and nothing clears one"
    if rules.at_trigger == "kept":
        return "a load stays after the trigger and runs again at the next one"
    return ""
