"""
The two sides of a pair can be read right after each other.

The skew of a pair is the difference of two readings brought to one instant (practice.md P9), and readings more than
5 ms apart are not taken for one round. A dialect that lets one request out at a time, with slow replies, keeps the
second side waiting for longer than that: the skew would never be looked at.

Passes:

    steps:
      - move: {beam: {to: 300 mm, speed: 100 mm/s}}

Fails:

    axes:
      beam_left: {dialect: ./one_by_one.yaml}
      beam_right: {dialect: ./one_by_one.yaml}
    steps:
      - move: {beam: {to: 300 mm, speed: 100 mm/s}}
"""

from collections.abc import Iterator

from choreo.checks.facts import Facts
from choreo.diagnostic import Finding, Level, Mark
from choreo.plan.conduct import ROUND_NS
from choreo.plan.model import Plan
from choreo.plan.turns import exchange_ns, out_at_once
from choreo.text import Text
from choreo.units import show_ns

ID, LEVEL, READS = "pair-outstanding", Level.ERROR, Plan


def check(facts: Facts) -> Iterator[Finding]:
    """Each pair whose sides speak a dialect that lets one request out at a time."""
    for pair in facts.plan.pairs:
        first, second = (facts.plan.axes[side] for side in pair.axes)
        dialect = facts.dialect(first.index)
        if first.dialect != second.dialect or out_at_once(dialect) > 1:
            continue
        apart_ns = exchange_ns(dialect, dialect.poll_bytes, facts.plan.bit_rate)
        if apart_ns < ROUND_NS:
            continue
        yield Finding(
            ID,
            f"the two sides of {pair.name} are read up to {show_ns(apart_ns)} apart, because their dialect "
            f"{first.dialect} lets one request out at a time; for their skew it must be less than {show_ns(ROUND_NS)}",
            Mark(facts.recipe.axes[Text(second.name)].dialect.span, "read too late"),
            (Mark(facts.recipe.pairs[Text(pair.name)].skew.trip.span, "could not be watched"),),
            "Look in the drive's manual whether more requests may be out, or whether it answers sooner.",
            level=LEVEL,
        )
