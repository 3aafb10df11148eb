"""Tables of plain text that fit the terminal they are shown in."""

import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass

GAP = "  "
CUT = "…"


@dataclass(frozen=True, slots=True)
class Column:
    """
    A column. Numbers stand to the `right`. `shrinks`: may be cut short to so many cells, with an ellipsis; 0 for not at
    all. `keep` orders what is left out of a terminal that is too narrow: the lowest first; columns of the highest are
    never left out.
    """

    head: str
    right: bool = True
    shrinks: int = 0
    keep: int = 9


def printable(text: str) -> str:
    """`text` on one line, with everything that could steer a terminal shown as an escape."""
    if text.isascii() and text.isprintable():
        return text
    return "".join(char if char.isprintable() else char.encode("unicode_escape").decode("ascii") for char in text)


def width_of(text: str) -> int:
    """How many cells of a terminal `text` takes: wide East Asian characters take two, combining marks none."""
    if text.isascii():
        return len(text)
    return sum(
        0 if unicodedata.combining(char) else 2 if unicodedata.east_asian_width(char) in "WF" else 1 for char in text
    )


def cut_to(text: str, width: int) -> str:
    """`text` in at most `width` cells, with an ellipsis where something is missing."""
    if width_of(text) <= width:
        return text
    taken, cells = "", 0
    for char in text:
        cells += width_of(char)
        if cells > width - 1:
            break
        taken += char
    return taken + CUT if width > 0 else ""


def table(columns: Sequence[Column], rows: Sequence[Sequence[str]], width: int) -> list[str]:
    """
    Lines of at most `width` cells: a head, a rule, the rows.

    First the columns that may be cut short are, then whole columns are left out, least wanted first, and the last line
    says which. What must be kept is kept even if it does not fit.
    """
    safe = [[printable(cell) for cell in row] for row in rows]
    shown = list(range(len(columns)))
    most = max((column.keep for column in columns), default=0)
    while True:
        widths = _widths([columns[i] for i in shown], [[row[i] for i in shown] for row in safe], width)
        total = sum(widths) + len(GAP) * (len(shown) - 1)
        spare = [i for i in shown if columns[i].keep < most]
        if total <= width or not spare:
            break
        shown.remove(min(reversed(spare), key=lambda i: columns[i].keep))
    picked = [columns[i] for i in shown]
    lines = [
        _line([column.head for column in picked], picked, widths),
        GAP.join("-" * cells for cells in widths),
        *(_line([row[i] for i in shown], picked, widths) for row in safe),
    ]
    missing = [column.head for i, column in enumerate(columns) if i not in shown]
    return lines + ([f"(no room for: {', '.join(missing)})"] if missing else [])


def _widths(columns: Sequence[Column], rows: Sequence[Sequence[str]], width: int) -> list[int]:
    widths = [max([width_of(c.head), *(width_of(row[i]) for row in rows)]) for i, c in enumerate(columns)]
    excess = sum(widths) + len(GAP) * (len(columns) - 1) - width
    for i, column in enumerate(columns):
        if column.shrinks and excess > 0:
            narrower = max(min(column.shrinks, widths[i]), widths[i] - excess)
            excess -= widths[i] - narrower
            widths[i] = narrower
    return widths


def _line(cells: Sequence[str], columns: Sequence[Column], widths: Sequence[int]) -> str:
    parts = []
    for cell, column, cells_wide in zip(cells, columns, widths, strict=True):
        text = cut_to(cell, cells_wide)
        fill = " " * (cells_wide - width_of(text))
        parts.append(fill + text if column.right else text + fill)
    return GAP.join(parts).rstrip()
