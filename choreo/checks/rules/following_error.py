"""
A drive's own following-error window is not wider than the tracking limit of its axis.

The drive watches itself at every cycle, choreo at every poll only: the drive's window is the real protection
(practice.md P8). A window wider than what choreo allows would be reached after choreo has stopped everything, or
never.

Passes:

    steps:
      - configure: {carriage: {following_error: 2 mm}}

Fails:

    steps:
      - configure: {carriage: {following_error: 2.5 mm}}
"""

from collections.abc import Iterator

from choreo.checks.facts import Facts
from choreo.diagnostic import Finding, Level, Mark
from choreo.recipe.model import Recipe
from choreo.recipe.scalars import Amount
from choreo.recipe.steps import ConfigureStep
from choreo.units import show

ID, LEVEL, READS = "following-error", Level.ERROR, Recipe


def check(facts: Facts) -> Iterator[Finding]:
    """By axis and window as written."""
    for step in facts.steps:
        if isinstance(step, ConfigureStep):
            for group, settings in step.configure.items():
                if settings.following_error is not None:
                    for axis in facts.recipe.axes_of(group):
                        yield from _judge(facts, axis, settings.following_error)


def _judge(facts: Facts, name: str, amount: Amount) -> Iterator[Finding]:
    limit, unit = facts.recipe.limits[name].tracking, facts.unit(name)
    if limit is None:
        return
    window, most = facts.value(amount, unit), facts.value(limit, unit)
    if window is not None and most is not None and window > most:
        yield Finding(
            ID,
            f"{facts.recipe.pair_of(name) or name} would have a following-error window of {show(window, unit)}, wider "
            f"than its tracking limit of {show(most, unit)}",
            Mark(amount.span, f"{show(window - most, unit)} too wide"),
            (Mark(limit.span, "the limit"),),
            f"Set the window to {show(most, unit)} or less.",
            level=LEVEL,
        )
