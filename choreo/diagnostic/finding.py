"""What a check or a watcher has to say, as data."""

from dataclasses import dataclass
from enum import StrEnum


class Level(StrEnum):
    """An error refuses; a warning is shown and does not refuse; a note is background."""

    ERROR = "error"
    WARNING = "warning"
    NOTE = "note"


@dataclass(frozen=True, slots=True, order=True)
class Span:
    """A stretch of one line of a file. `line` and `column` count from 1; `length` is at least 1 character."""

    file: str
    line: int
    column: int
    length: int = 1

    def __str__(self) -> str:
        return f"{self.file}:{self.line}:{self.column}"


@dataclass(frozen=True, slots=True)
class Mark:
    """A span and what to say below it."""

    span: Span
    label: str = ""


@dataclass(frozen=True, slots=True)
class Finding:
    """
    One conflict. `headline` is complete on its own and names both numbers with their units; `primary` is the smallest
    text the author would edit, `others` the other half of the conflict; `help` is what to do, `note` the background.
    """

    rule: str
    headline: str
    primary: Mark | None = None
    others: tuple[Mark, ...] = ()
    help: str = ""
    note: str = ""
    level: Level = Level.ERROR
