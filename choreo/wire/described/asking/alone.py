"""Dialect files and dialect test files checked by themselves, without a recipe that uses them."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from choreo.diagnostic import Finding, Refused
from choreo.wire.described.asking.trials import check_trials
from choreo.wire.described.files import load_dialect

#: The key by which such a file is told from a recipe.
_KEY = re.compile(rb"(?:\A(?:\xef\xbb\xbf)?|\n)(?:\{\s*)?[\"']?(choreo_dialect(?:_test)?)[\"']?\s*:")
#: It stands at the beginning: no more than so much of a file is looked at.
_LOOKED_AT = 20_000


@dataclass(frozen=True, slots=True)
class Checked:
    """What was found, with the lines that it speaks of; what the file is, in words, where nothing was."""

    findings: tuple[Finding, ...]
    lines: Mapping[str, Sequence[str]]
    says: str = ""

    @property
    def ok(self) -> bool:
        """Whether nothing was found."""
        return not self.findings

    def headline(self) -> str:
        """The result in one line."""
        count = len(self.findings)
        return self.says if self.ok else f"refused: {count} {'error' if count == 1 else 'errors'}"


def is_alone(path: Path) -> bool:
    """Whether a file is a dialect or a dialect test; False also for one that cannot be read."""
    return _key_of(path) is not None


def _key_of(path: Path) -> bytes | None:
    try:
        if not path.is_file():
            return None
        with path.open("rb") as file:
            found = _KEY.search(file.read(_LOOKED_AT))
    except (OSError, ValueError):
        return None
    return None if found is None else found[1]


def check_alone(path: Path) -> Checked:
    """Everything that can be said of a dialect file or a dialect test file. Never raises for what is wrong in it."""
    try:
        if _key_of(path) == b"choreo_dialect_test":
            trials = check_trials(path)
            frames = f"{trials.frames} {'frame' if trials.frames == 1 else 'frames'}"
            return Checked((), {}, f"{path}: {frames} as dialect {trials.dialect} has them; nothing found")
        dialect = load_dialect(path)
    except Refused as refused:
        return Checked(refused.findings, refused.lines)
    count = len(dialect.frames.all())
    return Checked((), {}, f"{path}: dialect {dialect.name}, {count} kinds of frame; nothing found")
