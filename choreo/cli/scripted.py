"""What became of a fault file, in lines for a terminal."""

from collections.abc import Iterator
from textwrap import wrap
from typing import TYPE_CHECKING

from choreo.report.table import printable
from choreo.units import show_ns

if TYPE_CHECKING:
    from choreo.link.port import Happened, Script

#: So many moments at which faults acted are shown one by one, and so many entries that did not act.
SHOWN = 12


def script_lines(script: "Script", seed: int, width: int) -> Iterator[str]:
    """Which scripted faults acted, which did not, and how to have the same again where something was drawn."""
    if script.acted:
        yield "scripted faults that acted:"
        for one in script.acted[:SHOWN]:
            yield from _wrapped(_acted(one), width)
        yield from _more(len(script.acted))
    else:
        yield "no scripted fault acted"
    if script.idle:
        yield "scripted faults that did not act:"
        for text in script.idle[:SHOWN]:
            yield from _wrapped(text, width)
        yield from _more(len(script.idle))
    if script.drawn:
        yield f"drawn from the seed {seed}; these entries say it outright (faults.json holds the whole file):"
        for text in script.drawn[:SHOWN]:
            yield f"  - {printable(text)}"  # never wrapped: to be copied
        yield from _more(len(script.drawn))


def _acted(one: "Happened") -> str:
    who = f" on {one.axis}" if one.axis else ""
    return f"{show_ns(one.t_ns // 1_000_000 * 1_000_000)}: {one.kind}{who}: {one.what}"


def _wrapped(text: str, width: int) -> list[str]:
    return wrap(printable(text), max(width, 20), initial_indent="  ", subsequent_indent="    ")


def _more(number: int) -> Iterator[str]:
    if number > SHOWN:
        yield f"  and {number - SHOWN} more"
