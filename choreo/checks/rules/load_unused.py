"""
Every load is started before the recipe ends.

A load that stays behind in a drive is set off by the next start trigger, of whomever (practice.md P2). choreo clears
what it has loaded when it stops, but a recipe that loads a move and never starts it does not do what it says.

Passes:

    steps:
      - preload: {carriage: {by: 300 mm}}
      - trigger: carriage
      - wait_for_position: {axes: carriage, within: 0.1 mm, for: 60 ms}

Fails:

    steps:
      - preload: {carriage: {by: 300 mm}}
      - dwell: 1 s
"""

from collections.abc import Iterator

from choreo.checks.facts import Facts
from choreo.diagnostic import Finding, Level, Mark
from choreo.plan.model import Plan

ID, LEVEL, READS = "load-unused", Level.ERROR, Plan


def check(facts: Facts) -> Iterator[Finding]:
    """What is still loaded after the last step."""
    for axis, move in facts.in_the_end.loaded.items():
        name = facts.called(axis)
        yield Finding(
            ID,
            f"{name} is loaded and never started: the move would stay behind in its drive",
            None if move.place is None else Mark(move.place, "never started"),
            (),
            f"Put `- trigger: {name}` after it, or take it out.",
            level=LEVEL,
        )
