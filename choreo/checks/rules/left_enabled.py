"""
A recipe leaves no axis under power.

When a run has ended nobody watches the axes any more. `closing` is done after success and after a failure: that is
where `disable: all` belongs (practice.md P15, P17).

Passes:

    closing:
      - disable: all

Fails:

    closing:
      - disable: carriage
"""

from collections.abc import Iterator

from choreo.checks.facts import Facts
from choreo.diagnostic import Finding, Level, Mark
from choreo.plan.model import Plan

ID, LEVEL, READS = "left-enabled", Level.WARNING, Plan


def check(facts: Facts) -> Iterator[Finding]:
    """The axes after the last step."""
    left = facts.in_the_end.enabled
    if left:
        names = facts.names(left)
        last = facts.scenes[-1].step
        yield Finding(
            ID,
            f"{names} would be left under power when the recipe has ended",
            Mark(last.place, "the last step"),
            (),
            "Put `- disable: all` under `closing`.",
            level=LEVEL,
        )
