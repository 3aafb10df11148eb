"""
What `choreo explain` can explain: one module a kind of topic, each made of what the code itself says (docstrings,
tables, dialect files), so that nothing is written down twice.
"""

from collections.abc import Iterable, Iterator
from pathlib import Path

from choreo.cli.topics import checks, codes, dialects, faults, records, verbs
from choreo.cli.topics.topic import Topic, prose
from choreo.report.table import Column, table

__all__ = ["Topic", "all_topics", "find", "listed"]

_ROOMS = (verbs, checks, dialects, codes, faults, records)
_HEADINGS = {
    "verb": "Verbs of a recipe's steps",
    "check": "Checks",
    "dialect": "Dialects",
    "exit code": "Exit codes",
    "fault": "Faults of the simulated bus, for --faults",
    "record": "Records of the journal",
}


def all_topics() -> list[Topic]:
    """Every topic, kind by kind."""
    return [topic for room in _ROOMS for topic in room.topics()]


def find(name: str) -> list[Topic]:
    """Every topic of a name, in whatever kind; a path is a dialect file. Hyphens, underscores and case do not count."""
    if name.endswith((".yaml", ".yml")) or "/" in name:
        return [dialects.of_file(Path(name))]
    wanted = _folded(name)
    return [topic for topic in all_topics() if wanted in {_folded(topic.name), _folded(f"{topic.kind} {topic.name}")}]


def _folded(name: str) -> str:
    return name.casefold().replace("-", "_").replace(" ", "_")


def listed(topics: Iterable[Topic], width: int) -> Iterator[str]:
    """All topics with one line each, under the heading of their kind."""
    known = list(topics)
    columns = (Column("topic", right=False), Column("says", right=False, shrinks=20))
    for place, (kind, heading) in enumerate(_HEADINGS.items()):
        rows = [(topic.name, topic.says) for topic in known if topic.kind == kind]
        if not rows:
            continue
        if place:
            yield ""
        yield heading
        yield from (f"  {line}" for line in table(columns, rows, width - 2)[2:])
    yield ""
    yield from prose("choreo explain TOPIC says more about one of them.", width)
    yield from prose("choreo explain --dialect FILE and choreo explain frame ...: see choreo explain --help.", width)
