"""
What is known of a sequence for the time after a stop only when a run has been stopped.

`choreo check` looks at it as if every axis had its home and its power, and stood at either end of its travel: what is
wrong from both ends is wrong from everywhere. Where the axes really stand, which of them have lost their home or their
power, which drive is in fault, is in the journal of the stopped run; `choreo retreat` checks the sequence once more,
from there (practice.md P17).

Passes:

    steps:
      - move: {carriage: {to: 300 mm}}

Fails:

    sequences:
      clear:
        after_stop: true
        steps:
          - confirm: "Nobody is near, nothing is jammed"
          - enable: carriage
"""

from collections.abc import Iterator

from choreo.checks.facts import Facts
from choreo.diagnostic import Finding, Level, Mark
from choreo.recipe.model import Recipe

ID, LEVEL, READS = "after-stop-later", Level.NOTE, Recipe


def check(facts: Facts) -> Iterator[Finding]:
    """Every such sequence; not when it is checked after a run."""
    if facts.known_plan is not None and facts.known_plan.retreat is not None:
        return
    for name, sequence in facts.recipe.sequences.items():
        if sequence.after_stop:
            yield Finding(
                ID,
                f"`{name}` was checked as if every axis had its home and its power; distances, soft limits of `by` "
                "moves, lost homes and faults are known after a stop only",
                Mark(name.span),
                (),
                f"`choreo retreat RECIPE {name} --after RUN` checks it again from where the run left the axes.",
                level=LEVEL,
            )
