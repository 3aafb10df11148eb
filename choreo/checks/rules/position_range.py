"""
Every position within the travel fits the frames of the drive.

Counts of a long axis with a fine encoder grow beyond what a frame can carry: 2400 mm at 16,384 counts a millimetre
are 39.3 million, too many for 24 bits (practice.md P27).

Passes:

    steps:
      - move: {carriage: {to: 300 mm}}

Fails:

    axes:
      carriage: {dialect: ./narrow.yaml}
    steps:
      - move: {carriage: {to: 300 mm}}
"""

from collections.abc import Iterator

from choreo.checks.facts import Facts, in_words
from choreo.diagnostic import Finding, Level, Mark
from choreo.plan.model import Plan
from choreo.text import Text

ID, LEVEL, READS = "position-range", Level.ERROR, Plan


def check(facts: Facts) -> Iterator[Finding]:
    """Both ends of the travel of each axis."""
    for axis in facts.plan.axes:
        low, high = facts.dialect(axis.index).position_range
        amounts = facts.recipe.limits[axis.name].travel
        for side, end in enumerate(axis.limits.travel):
            counts = axis.counts(end)
            if not low <= counts <= high and amounts is not None:
                yield Finding(
                    ID,
                    f"{axis.name} at {in_words(end, axis)} is at {counts} counts, and its drive's frames carry "
                    f"{low} to {high}",
                    Mark(amounts[side].span, f"{counts} counts"),
                    (Mark(facts.recipe.axes[Text(axis.name)].dialect.span, "the dialect"),),
                    "Shorten the travel, or use a coarser count (an electronic gear in the drive, another dialect).",
                    level=LEVEL,
                )
