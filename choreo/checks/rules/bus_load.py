"""
Polling does not fill the bus.

Every poll, of a position and of the inputs of a drive that has some declared, is a request and a reply, with the stuff
bits that they have at the worst (facts.md A4); above the bit rate they cannot be sent at all. 60 axes at 50 Hz with a
one-byte request and a five-byte reply are 510 kbit/s (practice.md P29). A bus that is only well filled is another
rule: bus-busy.

Passes:

    bus: {poll: 50 Hz}

Fails:

    bus: {bit_rate: 20 kbit/s}
"""

from collections.abc import Iterator

from choreo.checks.facts import Facts
from choreo.diagnostic import Finding, Level, Mark
from choreo.plan.model import Plan
from choreo.units import show

ID, LEVEL, READS = "bus-load", Level.ERROR, Plan


def check(facts: Facts) -> Iterator[Finding]:
    """Bits a second against the bit rate."""
    bus, plan = facts.budget, facts.plan
    if bus.load > 1:
        read = len({one.axis for one in plan.inputs})
        inputs = f" and the inputs of {read} of them" if read else ""
        polls = f"{len(plan.axes)} axes{inputs} at {facts.recipe.quantity(facts.recipe.bus.poll).text()}"
        needed, rate = show(bus.bits_per_second, "bit/s", 0), show(bus.bit_rate, "bit/s")
        yield Finding(
            ID,
            f"polling {polls} needs {needed}, and the bus carries {rate}",
            Mark(facts.recipe.bus.poll.span, "too often"),
            (Mark(facts.recipe.bus.bit_rate.span, "the bit rate"),),
            "Poll less often, or raise the bit rate of all nodes.",
            level=LEVEL,
        )
