"""
No axis is loaded a second time before its load was started.

A `move` loads too. What a second load does differs between drives: it takes the place of the first, queues behind it,
is added to it or is refused (practice.md P1). None of that is what two steps with one load each look like.

Passes:

    steps:
      - preload: {carriage: {by: 300 mm}}
      - trigger: carriage
      - wait_for_position: {axes: carriage, within: 0.1 mm, for: 60 ms}
      - preload: {carriage: {by: -300 mm}}
      - trigger: carriage

Fails:

    steps:
      - preload: {carriage: {by: 300 mm}}
      - preload: {carriage: {by: 200 mm}}
      - trigger: carriage
"""

from collections.abc import Iterator

from choreo.checks.facts import Facts
from choreo.checks.scenes import loaded_by
from choreo.diagnostic import Finding, Level, Mark
from choreo.plan.model import Plan

ID, LEVEL, READS = "double-load", Level.ERROR, Plan

#: What a drive does with the second load, by the dialect's word.
THEN = {
    "replaces": "the second takes the place of the first",
    "queues": "the second waits behind the first and is started by the next trigger",
    "adds": "the second is added to the first",
    "refused": "the drive refuses the second",
}


def check(facts: Facts) -> Iterator[Finding]:
    """Loads of an axis that holds one."""
    for scene in facts.scenes:
        for move in loaded_by(scene.step):
            first = scene.axes.loaded.get(move.axis)
            if first is None:
                continue
            rules = facts.dialect(move.axis).loads
            yield Finding(
                ID,
                f"{facts.called(move.axis)} is loaded again in step {scene.step.path} before its load was started",
                Mark(move.place or scene.step.place, "the second load"),
                () if first.place is None else (Mark(first.place, "the first load"),),
                "Start the first load before the second, or keep one of them.",
                f"In the dialect {facts.plan.axes[move.axis].dialect} {THEN[rules.second_load]}.",
                level=LEVEL,
            )
