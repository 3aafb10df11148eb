"""
An output is one that its drive's frames can switch.

A dialect without `set_output` cannot switch any; one that has it gives the numbers that fit into its frame.

Passes:

    outputs:
      clamp: {axis: carriage, output: 1}
    steps:
      - set_output: {clamp: on}

Fails:

    outputs:
      clamp: {axis: carriage, output: 300}
    steps:
      - set_output: {clamp: on}
"""

from collections.abc import Iterator

from choreo.checks.facts import Facts
from choreo.diagnostic import Finding, Level, Mark
from choreo.plan.model import Plan
from choreo.text import Text

ID, LEVEL, READS = "output-number", Level.ERROR, Plan


def check(facts: Facts) -> Iterator[Finding]:
    """Every declared output."""
    for one in facts.plan.outputs:
        axis, ends = facts.plan.axes[one.axis], facts.dialect(one.axis).output_range
        dialect = Mark(facts.recipe.axes[Text(axis.name)].dialect.span, "the dialect")
        if ends is None:
            yield Finding(
                ID,
                f"the output {one.name} cannot be switched: the dialect {axis.dialect} of {axis.name} has no message "
                "set_output",
                Mark(one.place, "cannot be switched"),
                (dialect,),
                "Describe `set_output` in the dialect, if the drive has it, or wire the signal to another drive.",
                level=LEVEL,
            )
        elif not ends[0] <= one.number <= ends[1]:
            yield Finding(
                ID,
                f"the output {one.name} of {axis.name} has the number {one.number}; the dialect {axis.dialect} carries "
                f"{ends[0]} to {ends[1]}",
                Mark(one.place, "does not fit into the frame"),
                (dialect,),
                "Give it the number that the drive's manual has for it.",
                level=LEVEL,
            )
