"""
A wait for an input says how long it may last.

How long a person takes to close a guard, or a valve to open, nobody but you knows; a run that waits for ever looks
like one that goes on. When the timeout runs out, the run is stopped and says what it waited for.

Passes:

    inputs:
      guard_closed: {axis: carriage, input: input_3}
    steps:
      - wait_for: {input: guard_closed, is: on}
        timeout: 30 s

Fails:

    inputs:
      guard_closed: {axis: carriage, input: input_3}
    steps:
      - wait_for: {input: guard_closed, is: on}
"""

from collections.abc import Iterator

from choreo.checks.facts import Facts
from choreo.diagnostic import Finding, Level, Mark
from choreo.recipe.input_steps import WaitForStep
from choreo.recipe.model import Recipe

ID, LEVEL, READS = "wait-without-end", Level.ERROR, Recipe


def check(facts: Facts) -> Iterator[Finding]:
    """Every `wait_for`."""
    for step in facts.steps:
        if isinstance(step, WaitForStep) and step.timeout is None:
            yield Finding(
                ID,
                f"nothing says how long `{step.wait_for.input}` is waited for",
                Mark(step.wait_for.input.span, "for ever"),
                (),
                "Put `timeout: 30 s`, or whatever is lawful here, beside `wait_for`.",
                level=LEVEL,
            )
