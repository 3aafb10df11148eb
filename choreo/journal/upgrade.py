"""
Old journals made readable: one pure function a version, from a record of that version to one of the next.

A function gets the whole record (`k` and `t` included) and returns a new one, or None for a record that has no place in
the next version. Each version has a golden journal under `tests/golden/` that must stay readable for ever.
"""

from collections.abc import Callable, Mapping
from typing import Any

from choreo.errors import RecipeError
from choreo.journal.records import VERSION

Upgrade = Callable[[dict[str, Any]], dict[str, Any] | None]

#: From which version, and how. Version 1 is the first, so there is nothing to upgrade yet.
UPGRADES: Mapping[int, Upgrade] = {}


def upgrader(version: object, upgrades: Mapping[int, Upgrade] = UPGRADES, newest: int = VERSION) -> Upgrade:
    """
    One function that brings a record of `version` to the newest.

    RecipeError for a version from the future, or one that nothing upgrades.
    """
    if not isinstance(version, int) or isinstance(version, bool):
        raise RecipeError(f"the journal says its version is {version!r}; it should be a number", rule="journal-version")
    if version > newest:
        raise RecipeError(
            f"the journal is of version {version}; this choreo reads up to version {newest}",
            rule="journal-version",
            help="Read it with the choreo that wrote it, or a newer one.",
        )
    steps = range(version, newest)
    if any(step not in upgrades for step in steps):
        raise RecipeError(f"the journal is of version {version}, which never was", rule="journal-version")

    def upgrade(record: dict[str, Any]) -> dict[str, Any] | None:
        current: dict[str, Any] | None = record
        for step in steps:
            if current is None:
                return None
            current = upgrades[step](current)
        return current

    return upgrade
