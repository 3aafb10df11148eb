"""
Drives that must be spoken to slowly can be polled as often as the recipe says.

A dialect may ask for a gap between two requests to one node, or for silence after a message. Both are kept; where the
poll period is shorter, every poll is sent late and everything is seen later than it looks (common practice, no
source). How many polls the bus and the session let out at once is another rule: poll-rate.

Passes:

    bus: {poll: 50 Hz}
    axes:
      carriage: {dialect: ./hesitant.yaml}

Fails:

    bus: {poll: 100 Hz}
    axes:
      carriage: {dialect: ./hesitant.yaml}
"""

from collections.abc import Iterator

from choreo.checks.facts import Facts
from choreo.diagnostic import Finding, Level, Mark
from choreo.plan.model import Plan
from choreo.plan.turns import node_round_ns
from choreo.text import Text
from choreo.units import NS_PER_S, show_ns

ID, LEVEL, READS = "poll-gap", Level.ERROR, Plan


def check(facts: Facts) -> Iterator[Finding]:
    """Each dialect once, against the poll period."""
    plan, told = facts.plan, set[str]()
    polled = {one.axis for one in plan.inputs}
    for axis in plan.axes:
        inputs = axis.index in polled
        needed_ns = node_round_ns(facts.dialect(axis.index), plan.bit_rate, inputs=inputs)
        if needed_ns <= plan.poll_ns or axis.dialect in told:
            continue
        told.add(axis.dialect)
        most = NS_PER_S // needed_ns
        yield Finding(
            ID,
            f"{axis.name}{' and its inputs' if inputs else ''} cannot be polled oftener than every "
            f"{show_ns(needed_ns)}, because its dialect {axis.dialect} asks for time between requests; the period is "
            f"{show_ns(plan.poll_ns)}",
            Mark(facts.recipe.bus.poll.span, "too often"),
            (Mark(facts.recipe.axes[Text(axis.name)].dialect.span, "the dialect"),),
            f"Poll at {most} Hz or less." if most else "Poll less often.",
            level=LEVEL,
        )
