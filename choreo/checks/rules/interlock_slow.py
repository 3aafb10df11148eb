"""
A lost interlock stops the machine soon.

What an interlock reads counts only when it has lasted for its `debounce`. Bouncing contacts are still after some ten
milliseconds; half a second is as good as no interlock (common practice, no source). The time until everything is told
to stop is the debounce, the time between two looks, and the answer.

Passes:

    inputs:
      guard_closed: {axis: carriage, input: input_1, debounce: 30 ms}
    interlocks: [guard_closed]
    steps:
      - dwell: 250 ms

Fails:

    inputs:
      guard_closed: {axis: carriage, input: input_1, debounce: 2 s}
    interlocks: [guard_closed]
    steps:
      - dwell: 250 ms
"""

from collections.abc import Iterator

from choreo.checks.facts import Facts
from choreo.diagnostic import Finding, Level, Mark
from choreo.plan.model import Plan
from choreo.text import Text
from choreo.units import show_ns

ID, LEVEL, READS = "interlock-slow", Level.ERROR, Plan

#: The longest debounce of an interlock.
LONGEST_NS = 500_000_000


def check(facts: Facts) -> Iterator[Finding]:
    """Every interlock."""
    for index in facts.plan.demands.interlocks:
        one = facts.plan.inputs[index]
        given = facts.recipe.inputs[Text(one.name)].debounce
        if given is not None and one.debounce_ns > LONGEST_NS:
            yield Finding(
                ID,
                f"the interlock {one.name} would be lost for {show_ns(one.debounce_ns)} before anything is stopped",
                Mark(given.span, "as good as no interlock"),
                help=f"Write at most {show_ns(LONGEST_NS)}; 20 to 50 ms let bouncing contacts settle.",
                level=LEVEL,
            )
