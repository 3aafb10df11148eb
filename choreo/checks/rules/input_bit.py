"""
An input is one of the bits that its drive can tell.

The dialect names the bits of the reply to `read_inputs`; a number stands for the bit `input_` and that number.

Passes:

    inputs:
      probe: {axis: carriage, input: 3}
    steps:
      - dwell: 250 ms

Fails:

    inputs:
      probe: {axis: carriage, input: inptu_3}
    steps:
      - dwell: 250 ms
"""

from collections.abc import Iterator

from choreo.checks.facts import Facts
from choreo.diagnostic import Finding, Level, Mark, did_you_mean
from choreo.plan.model import Plan
from choreo.text import Text

ID, LEVEL, READS = "input-bit", Level.ERROR, Plan


def check(facts: Facts) -> Iterator[Finding]:
    """Every declared input of a drive whose inputs can be read."""
    for one in facts.plan.inputs:
        axis, names = facts.plan.axes[one.axis], facts.dialect(one.axis).input_names
        if names and one.bit not in names:
            yield Finding(
                ID,
                f"`{one.bit}` is no input of {axis.name}, whose dialect is {axis.dialect}",
                Mark(one.place, "no such bit"),
                (Mark(facts.recipe.axes[Text(axis.name)].dialect.span, "the dialect"),),
                f"{did_you_mean(one.bit, names)} It has {', '.join(names)}.".strip(),
                level=LEVEL,
            )
