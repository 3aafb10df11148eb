"""
No drive is configured with a steeper ramp than its axis allows: acceleration, jerk, deceleration of the quick stop.

Passes:

    steps:
      - configure: {carriage: {acceleration: 1500 mm/s^2, jerk: 15000 mm/s^3}}

Fails:

    steps:
      - configure: {carriage: {acceleration: 1600 mm/s^2, jerk: 15000 mm/s^3}}
"""

from collections.abc import Iterator

from choreo.checks.facts import Facts
from choreo.diagnostic import Finding, Level, Mark
from choreo.recipe.model import Recipe
from choreo.recipe.scalars import Amount
from choreo.recipe.steps import ConfigureStep
from choreo.units import show

ID, LEVEL, READS = "ramp-limit", Level.ERROR, Recipe

#: What is compared, in words, and what stands behind the axis' unit.
RAMPS = {
    "acceleration": ("an acceleration", "/s^2"),
    "jerk": ("a jerk", "/s^3"),
    "quick_stop": ("a quick stop", "/s^2"),
}


def check(facts: Facts) -> Iterator[Finding]:
    """By axis and setting as written."""
    for step in facts.steps:
        if not isinstance(step, ConfigureStep):
            continue
        for group, settings in step.configure.items():
            for ramp in RAMPS:
                amount: Amount | None = getattr(settings, ramp)
                if amount is not None:
                    for axis in facts.recipe.axes_of(group):
                        yield from _judge(facts, axis, ramp, amount)


def _judge(facts: Facts, name: str, ramp: str, amount: Amount) -> Iterator[Finding]:
    limit: Amount | None = getattr(facts.recipe.limits[name], ramp)
    if limit is None:
        return
    what, per = RAMPS[ramp]
    unit = facts.unit(name) + per
    value, most = facts.value(amount, unit), facts.value(limit, unit)
    if value is not None and most is not None and value > most:
        yield Finding(
            ID,
            f"{facts.recipe.pair_of(name) or name} would have {what} of {show(value, unit)}, "
            f"above its limit of {show(most, unit)}",
            Mark(amount.span, f"{show(value - most, unit)} too much"),
            (Mark(limit.span, "the limit"),),
            f"Lower it to {show(most, unit)}, or raise the limit if the drive and the machine allow it.",
            level=LEVEL,
        )
