"""
Every axis can be polled as often as the recipe says.

A drive may take its `reply_within` for each answer, and only four requests are out at a time. When a round of polls
of all axes takes longer than the poll period, polls are left out and everything is seen later than it looks (common
practice, no source). Drives that answer sooner than their dialect says may keep up all the same.

Passes:

    bus: {poll: 50 Hz}

Fails:

    bus: {poll: 300 Hz}
"""

from collections.abc import Iterator

from choreo.checks.facts import Facts
from choreo.diagnostic import Finding, Level, Mark
from choreo.plan.model import Plan
from choreo.units import show_ns

ID, LEVEL, READS = "poll-rate", Level.WARNING, Plan


def check(facts: Facts) -> Iterator[Finding]:
    """A round of polls against the period."""
    bus, poll = facts.budget, facts.recipe.bus.poll
    if bus.round_ns > bus.poll_ns and bus.load <= 1:
        most = 1_000_000_000 // bus.round_ns
        yield Finding(
            ID,
            f"polling {len(facts.plan.axes)} axes once may take {show_ns(bus.round_ns)}, and they are to be polled "
            f"every {show_ns(bus.poll_ns)}",
            Mark(poll.span, "too often for these drives"),
            (),
            f"Poll at {most} Hz or less." if most else "Poll less often.",
            level=LEVEL,
        )
