"""Records of the journal, from the one table of kinds and fields."""

from collections.abc import Iterable, Iterator

from choreo.cli.topics.topic import Topic, prose, shaped
from choreo.journal import KINDS, records
from choreo.report.table import Column, table

KIND = "record"


def topics() -> Iterator[Topic]:
    """One a kind of record."""
    for kind in KINDS.values():
        yield Topic(KIND, kind.name, kind.says, lambda width, kind=kind: _lines(kind, width))  # type: ignore[misc]


def _lines(kind: records.Kind, width: int) -> Iterable[str]:
    yield from prose(f"{kind.says[0].upper()}{kind.says[1:]}.", width)
    yield ""
    rows = [(field.name, field.says + (" (may be left out)" if field.optional else "")) for field in kind.fields]
    columns = (Column("field", right=False), Column("says", right=False, shrinks=20))
    yield from table(columns, rows, width)
    yield ""
    yield from shaped(records.__doc__, width)
