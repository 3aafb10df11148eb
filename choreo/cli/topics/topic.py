"""A topic, and the shaping of docstrings for a terminal."""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from inspect import cleandoc
from textwrap import wrap

from choreo.report.text import WIDEST_TEXT


@dataclass(frozen=True, slots=True)
class Topic:
    """A kind, a name within it, one line about it, and all of it as lines of at most so many cells."""

    kind: str
    name: str
    says: str
    lines: Callable[[int], Iterable[str]]


def prose(text: str, width: int, indent: str = "") -> list[str]:
    """A paragraph, wrapped."""
    room = max(30, min(width, WIDEST_TEXT))
    return wrap(text, room, initial_indent=indent, subsequent_indent=indent, break_on_hyphens=False)


def first_sentence(doc: str | None) -> str:
    """The first paragraph of a docstring on one line."""
    return " ".join(cleandoc(doc or "").split("\n\n")[0].split())


def shaped(doc: str | None, width: int) -> Iterator[str]:
    """A docstring: paragraphs wrapped anew, indented blocks (examples) as they are, empty lines between."""
    for number, block in enumerate(cleandoc(doc or "").split("\n\n")):
        if number:
            yield ""
        if block.startswith(" "):
            yield from block.splitlines()
        else:
            yield from prose(" ".join(block.split()), width)
