"""
A drive that stops by itself when it hears nothing is kept fed.

Such a watchdog is a protection against a lost host, and a trap when frames come less often than it expects: the drive
stops in mid-move. Polling feeds it wherever the watchdog takes any message, or the polled one; otherwise choreo sends
one of the messages that feed it and do nothing, three times in its time. A poll may be late by a lost reply, and by the
silence that a dialect asks for (common practice, no source).

Passes:

    axes:
      carriage: {dialect: ./watched.yaml}

Fails:

    bus: {poll: 5 Hz}
    axes:
      carriage: {dialect: ./watched.yaml}
"""

from collections.abc import Iterator

from choreo.checks.facts import Facts
from choreo.diagnostic import Finding, Level, Mark
from choreo.plan.feeding import fed_by_polls, feeding_message, feeding_period_ns
from choreo.plan.model import AxisPlan, Plan
from choreo.text import Text
from choreo.units import show_ns
from choreo.wire.dialect import Watchdog

ID, LEVEL, READS = "watchdog", Level.ERROR, Plan


def check(facts: Facts) -> Iterator[Finding]:
    """Each dialect with a watchdog, once."""
    told: set[str] = set()
    for axis in facts.plan.axes:
        watchdog = facts.dialect(axis.index).watchdog
        if watchdog is None or axis.dialect in told:
            continue
        told.add(axis.dialect)
        yield from _judge(facts, axis, watchdog)


def _judge(facts: Facts, axis: AxisPlan, watchdog: Watchdog) -> Iterator[Finding]:
    dialect, bus = facts.dialect(axis.index), facts.budget
    then = watchdog.then.replace("_", " ")
    if not fed_by_polls(dialect) and feeding_message(dialect) is None:
        fed_by = ", ".join(sorted(watchdog.fed_by or ()))
        yield _finding(
            facts,
            axis,
            f"{axis.name}: only {fed_by} keeps its drive from a {then} after {show_ns(watchdog.within_ns)}, and none "
            "of these can be sent again and again without doing something",
            "Look in the drive's manual for a message that only reads and keeps its watchdog fed, or for a way to turn "
            "the watchdog off.",
        )
        return
    period_ns = max(facts.plan.poll_ns, bus.round_ns, bus.node_ns) if fed_by_polls(dialect) else 0
    silence_ns = max(period_ns, feeding_period_ns(dialect) if not fed_by_polls(dialect) else 0)
    longest_ns = silence_ns + axis.reply_timeout_ns + max((bus.held_up_ns, *dialect.timing.quiet.values()))
    if longest_ns >= watchdog.within_ns:
        yield _finding(
            facts,
            axis,
            f"{axis.name} may hear nothing for {show_ns(longest_ns)}, and its drive does a {then} by itself after "
            f"{show_ns(watchdog.within_ns)}",
            "Poll more often, or give the drive's watchdog more time.",
        )


def _finding(facts: Facts, axis: AxisPlan, headline: str, help: str) -> Finding:
    dialect = facts.recipe.axes[Text(axis.name)].dialect
    others = (Mark(facts.recipe.bus.poll.span, "how often it is polled"),)
    return Finding(ID, headline, Mark(dialect.span, "has a watchdog"), others, help, level=LEVEL)
