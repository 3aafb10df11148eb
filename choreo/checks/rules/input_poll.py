"""
An input is looked at often enough for its debounce.

Inputs are read as often as positions. When the time between two looks is longer than an input's `debounce`, two looks
cannot show that it has lasted so long without a break: it may have flickered in between, and a change is seen up to
two poll periods late (practice.md P36, common practice, no source).

Passes:

    inputs:
      probe: {axis: carriage, input: input_1, debounce: 20 ms}
    steps:
      - dwell: 250 ms

Fails:

    inputs:
      probe: {axis: carriage, input: input_1, debounce: 5 ms}
    steps:
      - dwell: 250 ms
"""

from collections.abc import Iterator

from choreo.checks.facts import Facts
from choreo.diagnostic import Finding, Level, Mark
from choreo.plan.model import Plan
from choreo.text import Text
from choreo.units import show_ns

ID, LEVEL, READS = "input-poll", Level.WARNING, Plan


def check(facts: Facts) -> Iterator[Finding]:
    """Every declared input with a debounce."""
    for one in facts.plan.inputs:
        given = facts.recipe.inputs[Text(one.name)].debounce
        if given is not None and 0 < one.debounce_ns < facts.plan.poll_ns:
            yield Finding(
                ID,
                f"{one.name} must last for {show_ns(one.debounce_ns)}, and it is looked at every "
                f"{show_ns(facts.plan.poll_ns)}",
                Mark(given.span, "shorter than the time between two looks"),
                (Mark(facts.recipe.bus.poll.span, "how often it is read"),),
                f"Poll more often, or write a debounce of {show_ns(facts.plan.poll_ns)} or more.",
                level=LEVEL,
            )
