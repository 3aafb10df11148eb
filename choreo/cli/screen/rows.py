"""Rows of a picture: pieces of text, each with the name of a style; bars; cells of a fixed width."""

from collections.abc import Iterable
from dataclasses import dataclass
from textwrap import wrap

from choreo.report.table import cut_to, printable, width_of

#: A bar from here on is conspicuous, and from here on alarming.
NEAR, VERY_NEAR = 0.5, 0.8

_EIGHTHS = " ▏▎▍▌▋▊▉"

Span = tuple[str, str]


@dataclass(frozen=True, slots=True)
class Row:
    """One line: its spans from the left, and the style of what is left of the line."""

    spans: tuple[Span, ...] = ()
    fill: str = ""

    @property
    def text(self) -> str:
        """Without styles."""
        return "".join(text for text, _ in self.spans)

    def fitted(self, width: int) -> "Row":
        """Cut and filled to exactly `width` cells."""
        left, kept = width, []
        for text, style in self.spans:
            cells = width_of(text)
            if cells > left:
                text = cut_to(text, left)
                cells = width_of(text)
            if text:
                kept.append((text, style))
            left -= cells
            if left <= 0:
                break
        if left > 0:
            kept.append((" " * left, self.fill))
        return Row(tuple(kept), self.fill)


def row(text: str, style: str = "") -> Row:
    """One style from end to end."""
    return Row(((text, style),), style)


def cell(text: str, width: int, *, right: bool = False) -> str:
    """Exactly `width` cells, cut with an ellipsis."""
    text = cut_to(text, width)
    fill = " " * (width - width_of(text))
    return fill + text if right else text + fill


def bar(share: float, width: int) -> str:
    """A share drawn: `[████▌   ]`, `width` cells in all; more than the whole is full."""
    inner = max(1, width - 2)
    eighths = round(min(1.0, max(0.0, share)) * inner * 8)
    full, part = divmod(eighths, 8)
    drawn = "█" * full + (_EIGHTHS[part] if part else "")
    return "[" + drawn.ljust(inner) + "]"


def tone(share: float) -> str:
    """The style of a figure that is this share of its limit."""
    return "alarm" if share >= VERY_NEAR else "warn" if share >= NEAR else ""


def mark(share: float) -> str:
    """The same as a character, for those who see no colour."""
    return "!" if share >= VERY_NEAR else " "


def prose(text: str, width: int, most: int) -> list[str]:
    """Running text, safe to print, in at most `most` lines; an ellipsis says where something is missing."""
    if most <= 0 or width <= 0:
        return []
    lines = wrap(printable(text), max(1, width), break_on_hyphens=False) or [""]
    if len(lines) > most:
        lines = [*lines[: most - 1], cut_to(lines[most - 1] + " …", width)]
        if not lines[-1].endswith("…"):
            lines[-1] = lines[-1][: max(0, width - 1)] + "…"
    return lines


def with_its_end(text: str, width: int, most: int) -> list[str]:
    """The same, but what is left out stands in the middle: a question says at its end what to type."""
    lines = wrap(printable(text), max(1, width), break_on_hyphens=False) or [""]
    if len(lines) <= most or most < 3:
        return lines[:most] if most >= len(lines) else lines[-most:] if most > 0 else []
    begin = lines[: most - 2]
    return [*begin[:-1], cut_to(begin[-1] + " …", width) if width_of(begin[-1]) + 2 <= width else "…", *lines[-2:]]


def joined(rows: Iterable[Row]) -> str:
    """A picture as text."""
    return "\n".join(row.text.rstrip() for row in rows)
