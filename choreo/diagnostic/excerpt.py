"""A line of a file with a mark under a stretch of it, in cells of a terminal."""

from __future__ import annotations

from typing import NamedTuple
from unicodedata import category, east_asian_width

#: The longest piece of a line that is shown, in characters; of a longer one the part around the mark.
ROOM = 100
TAB = "    "


class Excerpt(NamedTuple):
    """What is shown of a line, and the row of marks below it."""

    text: str
    marks: str


def cells(text: str) -> int:
    """How many cells of a terminal a text takes: two for a wide character, none for a combining one."""
    return sum(2 if east_asian_width(c) in "WF" else 0 if category(c) in ("Mn", "Me") else 1 for c in text)


def excerpt(line: str, column: int, length: int, room: int = ROOM) -> Excerpt:
    """
    The line with the `length` characters from `column` (from 1) marked by carets.

    A tab is shown as four spaces, a character that cannot be printed as U+FFFD. A mark that begins behind the end of
    the line is one caret there; a mark that goes on behind what is shown ends with it.
    """
    begin = min(column - 1, len(line))
    end = min(begin + length, len(line))
    before, marked, after = _shown(line[:begin]), _shown(line[begin:end]), _shown(line[end:])
    if len(before) + len(marked) + len(after) > room:
        before, marked, after = _crop(before, marked, after, room)
    return Excerpt((before + marked + after).rstrip(), " " * cells(before) + "^" * max(1, cells(marked)))


def beginning(line: str, room: int = ROOM) -> str:
    """A line without a mark, cut off at the end of the room."""
    shown = _shown(line).rstrip()
    return shown if len(shown) <= room else shown[: room - 1] + "…"


def _shown(text: str) -> str:
    if text.isprintable():
        return text
    return "".join(TAB if c == "\t" else c if c.isprintable() else "\ufffd" for c in text)


def _crop(before: str, marked: str, after: str, room: int) -> tuple[str, str, str]:
    """A third of the room before the mark, more where the line ends early; an ellipsis where something is cut off."""
    marked_room = min(len(marked), room)
    before_room = max(room // 3, room - marked_room - len(after))
    before_room = min(before_room, room - marked_room, len(before))
    after_room = room - marked_room - before_room
    if before_room < len(before):
        before = "…" + before[len(before) - before_room + 1 :] if before_room else ""
    if marked_room < len(marked):
        return before, marked[: marked_room - 1] + "…", ""
    if after_room < len(after):
        after = after[: after_room - 1] + "…" if after_room else ""
    return before, marked, after
