"""
Inputs are declared of drives only that can tell them.

A dialect without `read_inputs` cannot be asked for its inputs. What is waited for would never come, and an interlock
that cannot be read guards nothing (practice.md P10, common practice, no source).

Passes:

    inputs:
      guard_closed: {axis: carriage, input: input_3}
    interlocks: [guard_closed]
    steps:
      - dwell: 250 ms

Fails:

    # from the start
    axes:
      carriage: {dialect: ./inputless.yaml}
    inputs:
      guard_closed: {axis: carriage, input: input_3}
    interlocks: [guard_closed]
    steps:
      - dwell: 250 ms
"""

from collections.abc import Iterator

from choreo.checks.facts import Facts
from choreo.diagnostic import Finding, Level, Mark
from choreo.plan.model import Plan
from choreo.text import Text

ID, LEVEL, READS = "input-unreadable", Level.ERROR, Plan


def check(facts: Facts) -> Iterator[Finding]:
    """Every declared input."""
    for one in facts.plan.inputs:
        axis = facts.plan.axes[one.axis]
        if facts.dialect(one.axis).input_names:
            continue
        what = "the interlock" if one.index in facts.plan.demands.interlocks else "the input"
        yield Finding(
            ID,
            f"{what} {one.name} cannot be read: the dialect {axis.dialect} of {axis.name} has no message read_inputs",
            Mark(one.place, "cannot be read"),
            (Mark(facts.recipe.axes[Text(axis.name)].dialect.span, "the dialect"),),
            "Describe `read_inputs` in the dialect, if the drive has it, or wire the signal to another drive.",
            level=LEVEL,
        )
