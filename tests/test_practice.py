"""Each row of practice.md that the program can show is cited by a test that shows it."""

import re
from functools import cache
from pathlib import Path

import pytest

TESTS = Path(__file__).parent
CITED = re.compile(r"\bP([0-9]{1,2})\b(?: (?:and|to) P([0-9]{1,2})\b)?")


@cache
def cited() -> dict[int, list[str]]:
    """The test files that cite each row."""
    found: dict[int, list[str]] = {}
    for path in sorted(TESTS.rglob("test_*.py")):
        if path == Path(__file__):
            continue
        for match in CITED.finditer(path.read_text(encoding="utf-8")):
            found.setdefault(int(match[1]), []).append(path.name)
    return found


@pytest.mark.parametrize("row", range(1, 34))
def test_a_row_of_practice_is_cited_where_it_is_shown(row):
    assert cited().get(row), f"no test cites practice.md P{row}"
