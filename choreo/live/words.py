"""What somebody must have read before a machine moves."""

from collections.abc import Iterator
from textwrap import wrap

from choreo.live.rehearsal import Rehearsal
from choreo.plan.model import Plan
from choreo.report import words
from choreo.report.table import printable
from choreo.units import show_ns

WIDEST = 100


def before_lines(plan: Plan, bus: str, rehearsal: Rehearsal, unguarded: str, delayed: str, width: int) -> Iterator[str]:
    """What is about to run, where, how it went in the rehearsal, the cautions, and what is not guarded against."""
    pace = "" if plan.pace == 1 else f", pace {float(plan.pace):.0%}"
    yield from _prose(f"{plan.title}, on {plan.machine} by {bus}{pace}", width)
    made = "now" if rehearsal.new else "before"
    taken = show_ns(rehearsal.summary.taken_ns // 1_000_000 * 1_000_000)
    yield from _prose(f"Rehearsed {made} with exactly this content: done in {taken}, see {rehearsal.folder}", width)
    if plan.simulated is None:
        yield from _prose(words.NOMINAL, width)
    yield ""
    yield from _prose(f"CAUTION. {words.CAUTION}", width)
    if unguarded:
        yield from _prose(f"NOT GUARDED: if this process is killed, nobody stops the axes, because {unguarded}.", width)
    if delayed:
        text = f"Other programs of this computer may hold choreo up, so that replies look late: {delayed}."
        yield from _prose(text, width)
    yield ""


def _prose(text: str, width: int) -> list[str]:
    return wrap(printable(text), max(20, min(width, WIDEST)), subsequent_indent="  ")
