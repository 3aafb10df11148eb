"""Dialects: those that ship, and any file."""

from collections.abc import Iterator
from pathlib import Path

from choreo.cli.manual.page import dialect_page
from choreo.cli.topics.topic import Topic
from choreo.wire.described import load_dialect, shipped_file, shipped_names
from choreo.wire.described.dialect import DescribedDialect

KIND = "dialect"


def topics() -> Iterator[Topic]:
    """One a shipped dialect."""
    for name in shipped_names():
        yield of_file(shipped_file(name))


def named(name: str) -> Topic:
    """A dialect by the name under which it ships, or by its file. Raises Refused."""
    own = name.endswith((".yaml", ".yml")) or "/" in name
    return of_dialect(load_dialect(name)) if own else of_file(shipped_file(name))


def of_file(path: Path) -> Topic:
    """A dialect of a file. Raises Refused for one that is none."""
    return of_dialect(load_dialect(path))


def of_dialect(dialect: DescribedDialect) -> Topic:
    """A compiled dialect."""
    return Topic(KIND, dialect.name, dialect.title, lambda width: dialect_page(dialect, width))
