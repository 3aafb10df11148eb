"""
Puts rows on a terminal: on its alternate screen, the cursor hidden, only the lines that have changed.

Colours are those of the sixteen that every terminal has, always with a background of their own where they matter, so
that they stand out on dark and light terminals alike. NO_COLOR in the environment leaves bold and reverse.
"""

import os
from collections.abc import Mapping, Sequence
from typing import TextIO

from choreo.cli.screen.rows import Row

ENTER = "\x1b[?1049h\x1b[?25l\x1b[2J"
#: Leaves whatever `ENTER` and a picture that was broken off may have left: attributes, synchronised output, cursor.
LEAVE = "\x1b[?2026l\x1b[0m\x1b[?7h\x1b[?25h\x1b[?1049l"
#: What is drawn between these two appears at once, on terminals that know them; others ignore them.
_TOGETHER, _SHOWN = "\x1b[?2026h", "\x1b[?2026l"

_COLOURS: Mapping[str, str] = {
    "": "0",
    "bold": "0;1",
    "head": "0;1;7",
    "foot": "0;1;7",
    "calm": "0;1;30;47",
    "go": "0;1;97;42",
    "done": "0;1;97;42",
    "ask": "0;1;97;44",
    "warn": "0;1;30;103",
    "alarm": "0;1;97;41",
}
_NO_COLOURS: Mapping[str, str] = {
    name: "0" if not name else "0;1" if name in ("bold", "go", "done") else "0;1;7" for name in _COLOURS
}
#: For terminals that are not spoken to in UTF-8.
_PLAIN = str.maketrans({"█": "#", "─": "-", "…": ".", "→": ">", **dict.fromkeys("▏▎▍▌▋▊▉", "+")})


class Painter:
    """One terminal. `draw` writes what differs from what it drew last. OSError when the terminal has gone."""

    def __init__(self, stream: TextIO, environment: Mapping[str, str] = os.environ) -> None:
        self._fd = stream.fileno()
        self._encoding = stream.encoding or "ascii"
        self._styles = _NO_COLOURS if environment.get("NO_COLOR") else _COLOURS
        self._plain = "utf" not in self._encoding.casefold()
        self._drawn: list[Row] = []
        self._size = (0, 0)

    def size(self) -> tuple[int, int]:
        """Columns and lines as they are now; 80 and 24 where the terminal does not say."""
        try:
            columns, lines = os.get_terminal_size(self._fd)
        except OSError:
            return 80, 24
        return columns or 80, lines or 24

    def enter(self) -> None:
        """Change over to the alternate screen."""
        self._write(ENTER)

    def leave(self) -> None:
        """Give the terminal back as it was."""
        self._write(LEAVE)

    def draw(self, rows: Sequence[Row], size: tuple[int, int]) -> None:
        """Show these rows; after a change of size all of them."""
        if size != self._size:
            self._size, self._drawn = size, []
        before = self._drawn
        changed = [
            f"\x1b[{line + 1};1H{self._line(one)}"
            for line, one in enumerate(rows)
            if line >= len(before) or before[line] != one
        ]
        if not changed:
            return
        clear = "" if before else "\x1b[0m\x1b[2J"
        self._write(f"{_TOGETHER}\x1b[?7l{clear}{''.join(changed)}\x1b[0m\x1b[?7h{_SHOWN}")
        self._drawn = list(rows)

    def _line(self, row: Row) -> str:
        return "".join(f"\x1b[{self._styles[style]}m{text}" for text, style in row.spans)

    def _write(self, text: str) -> None:
        if self._plain:
            text = text.translate(_PLAIN)
        data = memoryview(text.encode(self._encoding, "replace"))
        while data:
            data = data[os.write(self._fd, data) :]
