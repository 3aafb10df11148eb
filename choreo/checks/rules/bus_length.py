"""
The bus is no longer than its bit rate allows.

Every bit must reach the far end and its echo come back before it is sampled, so a fast bus is short. The lengths are
those of facts.md B14 (CiA DS 102): 25 m at 1 Mbit/s, 50 m at 800 kbit/s, 100 m at 500 kbit/s, 250 m at 250 kbit/s,
500 m at 125 kbit/s, 1000 m at 50 kbit/s. Between two rates the length of the faster counts.

Passes:

    bus: {bit_rate: 500 kbit/s, length: 90 m}

Fails:

    bus: {bit_rate: 500 kbit/s, length: 120 m}
"""

from collections.abc import Iterator

from choreo.checks.facts import Facts
from choreo.diagnostic import Finding, Level, Mark
from choreo.recipe.model import Recipe
from choreo.units import show
from choreo.wire.line import longest_line

ID, LEVEL, READS = "bus-length", Level.WARNING, Recipe


def check(facts: Facts) -> Iterator[Finding]:
    """The declared length against the table."""
    bus = facts.recipe.bus
    if bus.length is None:
        return
    length, rate = facts.value(bus.length, "m"), facts.value(bus.bit_rate, "bit/s")
    if length is None or rate is None or length <= longest_line(float(rate)):
        return
    most = f"{longest_line(float(rate))} m"
    yield Finding(
        ID,
        f"the bus is {show(length, 'm')} long; at {facts.recipe.quantity(bus.bit_rate).text()} {most} are usual",
        Mark(bus.length.span, f"longer than {most}"),
        (Mark(bus.bit_rate.span, "the bit rate"),),
        "Lower the bit rate of all nodes, or shorten the line.",
        level=LEVEL,
    )
