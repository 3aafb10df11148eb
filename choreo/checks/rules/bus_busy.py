"""
Polling leaves at least half of the bus free.

A bus that is more than half full of polls has little room for commands, repeated frames after errors, and other nodes
(common practice, no source). Full is another rule: bus-load.

Passes:

    bus: {poll: 50 Hz}

Fails:

    bus: {poll: 400 Hz}
"""

from collections.abc import Iterator

from choreo.checks.facts import Facts
from choreo.diagnostic import Finding, Level, Mark
from choreo.plan.model import Plan
from choreo.units import show

ID, LEVEL, READS = "bus-busy", Level.WARNING, Plan

#: The part of the bit rate above which is warned, in per cent.
BUSY = 50


def check(facts: Facts) -> Iterator[Finding]:
    """Polls of all axes."""
    bus = facts.budget
    if BUSY < 100 * bus.load <= 100:
        yield Finding(
            ID,
            f"polling takes {show(100 * bus.load, '%', 0)} of the bus: {show(bus.bits_per_second, 'bit/s', 0)} of "
            f"{show(bus.bit_rate, 'bit/s')}; above {BUSY} % there is little room for anything else",
            Mark(facts.recipe.bus.poll.span, "often"),
            (Mark(facts.recipe.bus.bit_rate.span, "the bit rate"),),
            "Poll less often, or raise the bit rate of all nodes.",
            level=LEVEL,
        )
