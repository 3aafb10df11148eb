"""
Polling does not fill the bus.

Every poll is a request and a reply, with the stuff bits that they have at the worst (facts.md A4). Above the bit rate
they cannot be sent at all. That the whole bus has room is also asked of the analysis of the worst response (facts.md
A12): when it finds no bound, replies come late however empty the bus is on average. See bus-busy for a bus that is
only well filled.

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
    """Bits a second against the bit rate, and whether responses are bounded."""
    bus, plan = facts.budget, facts.plan
    rate = show(bus.bit_rate, "bit/s")
    polls = f"{len(plan.axes)} axes at {facts.recipe.quantity(facts.recipe.bus.poll).text()}"
    if bus.load > 1:
        headline = f"polling {polls} needs {show(bus.bits_per_second, 'bit/s', 0)}, and the bus carries {rate}"
    elif bus.worst_response_ns is None:
        headline = f"polling {polls} with one command beside it leaves a reply no time by which it is there, at {rate}"
    else:
        return
    yield Finding(
        ID,
        headline,
        Mark(facts.recipe.bus.poll.span, "too often"),
        (Mark(facts.recipe.bus.bit_rate.span, "the bit rate"),),
        "Poll less often, or raise the bit rate of all nodes.",
        level=LEVEL,
    )
