"""
A vertical axis has a brake.

Without power and without a brake it falls: 60 ms of free fall are 18 mm (practice.md P15). When its drive switches no
brake, another device must hold the load, and nobody may be below it. The safety of persons is not this program's: see
the machine's risk assessment and the local codes.

Passes:

    axes:
      lift: {load: vertical, brake: {release: 40 ms, engage: 60 ms, sag: 0.1 mm}}

Fails:

    axes:
      lift: {load: vertical}
"""

from collections.abc import Iterator

from choreo.checks.facts import Facts
from choreo.diagnostic import Finding, Level, Mark
from choreo.recipe.model import Recipe

ID, LEVEL, READS = "vertical-brake", Level.WARNING, Recipe


def check(facts: Facts) -> Iterator[Finding]:
    """Axes with a vertical load."""
    for name, axis in facts.recipe.axes.items():
        if axis.load == "vertical" and axis.brake is None:
            yield Finding(
                ID,
                f"{name} carries a vertical load and has no brake: without power it falls",
                Mark(name.span, "no brake"),
                (),
                "Declare its brake (`brake: {release: 40 ms, engage: 60 ms, sag: 0.1 mm}`); where there is none, see "
                "that another device holds the load.",
                level=LEVEL,
            )
