"""
Every sequence is for something.

A sequence that no step calls is done nowhere: a call may have been forgotten, or be for another of a similar name. One
with `after_stop: true` is for `choreo retreat` and needs no call (practice.md P17). What a sequence that takes values
says is looked at only where it is called.

Passes:

    sequences:
      look:
        steps:
          - expect: {axis: carriage, position: 2 mm, within: 0.1 mm}
    steps:
      - call: look

Fails:

    sequences:
      look:
        steps:
          - expect: {axis: carriage, position: 2 mm, within: 0.1 mm}
    steps:
      - dwell: 1 s
"""

from collections.abc import Iterator

from choreo.checks.facts import Facts
from choreo.diagnostic import Finding, Level, Mark
from choreo.recipe.model import Recipe

ID, LEVEL, READS = "sequence-unused", Level.WARNING, Recipe


def check(facts: Facts) -> Iterator[Finding]:
    """Sequences that nobody calls and that are not for the time after a stop."""
    for name, sequence in facts.recipe.sequences.items():
        if name not in facts.recipe.called and not sequence.after_stop:
            yield Finding(
                ID,
                f"no step calls the sequence `{name}`",
                Mark(name.span),
                (),
                f"Put `- call: {name}` where it belongs, or take the sequence out.",
                level=LEVEL,
            )
