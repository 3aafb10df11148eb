"""Progress as it is after the first part of a journal."""

import json
from pathlib import Path

import pytest

from choreo.cli.progress import Progress
from choreo.cli.screen.picture import picture
from choreo.cli.screen.rows import joined
from choreo.cli.screen.state import Glance

GOLDEN = Path(__file__).parents[2] / "golden" / "journal_v1.jsonl"


def take(progress, value):
    """One line of a journal, as a value."""
    if isinstance(value, list):
        progress.sample(*value[1:])
    else:
        fields = dict(value)
        progress.record(fields.pop("k"), fields.pop("t"), fields)


@pytest.fixture
def fed():
    """Called with a text: progress after the golden journal's lines up to (not with) the first that holds it."""

    def feed(until, *more):
        progress = Progress()
        for line in GOLDEN.read_text().splitlines():
            if until in line:
                break
            take(progress, json.loads(line))
        for value in more:
            take(progress, value)
        return progress

    return feed


@pytest.fixture
def shown():
    """Called with progress: the picture as text."""

    def show(progress, columns=80, lines=24, **glance):
        rows = picture(progress, Glance(**glance), columns, lines)
        assert len(rows) == lines
        return joined(rows)

    return show
