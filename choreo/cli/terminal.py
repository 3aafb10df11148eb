"""What the terminal can do."""

import os
import shutil
from collections.abc import Mapping
from typing import TextIO

#: Of output that goes to no terminal.
USUAL_WIDTH = 100


def width(stream: TextIO) -> int:
    """Cells in a line; COLUMNS overrides what the terminal says."""
    if not stream.isatty() and "COLUMNS" not in os.environ:
        return USUAL_WIDTH
    return shutil.get_terminal_size((USUAL_WIDTH, 24)).columns


def can_redraw(stream: TextIO, environment: Mapping[str, str] = os.environ) -> bool:
    """Whether lines that were printed can be drawn over: a terminal, and not one that calls itself dumb."""
    return stream.isatty() and environment.get("TERM", "") not in ("", "dumb")
