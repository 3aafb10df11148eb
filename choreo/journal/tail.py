"""
Reads a journal while it is still being written, piece by piece.

What it takes and what it refuses is what `reader.py` takes and refuses: a line counts once its newline is there, kinds
that the table does not know are skipped, old versions are upgraded. Whoever calls says when to look again; there is no
clock and no waiting here.
"""

import json
import os
from pathlib import Path
from typing import Any, Protocol

from choreo.errors import RecipeError
from choreo.journal.records import KINDS, missing
from choreo.journal.upgrade import UPGRADES, upgrader

#: Of a journal that has grown long before it was looked at, so much is taken at once, bytes.
PIECE = 1 << 20


class Taker(Protocol):
    """Whoever is told what stands in a journal."""

    def record(self, kind: str, t_ns: int, fields: dict[str, Any]) -> None:
        """A record, its fields as they were written."""

    def sample(self, t_ns: int, axis: int, counts: int, age_us: int) -> None:
        """A position reading."""


class Lines:
    """
    Bytes of a journal, cut anywhere, become calls of `taker`. `ended` is true once the `end` record has come.

    `feed` raises RecipeError, with `name` and the line, for what is no journal; what follows is not read any more.
    """

    def __init__(self, taker: Taker, name: str = "the journal") -> None:
        self.ended = False
        self._taker = taker
        self._name = name
        self._rest = b""
        self._line = 0
        self._axes = 0
        self._upgrade = upgrader(1)

    def feed(self, data: bytes) -> None:
        """Take the next bytes."""
        *lines, self._rest = (self._rest + data).split(b"\n") if b"\n" in data else (self._rest + data,)
        samples: list[bytes] = []
        for line in lines:
            if line.startswith(b"[") and self._line:
                samples.append(line)
                self._line += 1
                continue
            self._samples(samples)
            samples = []
            self._line += 1
            if line.strip(b"\0"):  # a power cut can leave zeros
                self._record(line)
        self._samples(samples)

    def _samples(self, lines: list[bytes]) -> None:
        """Many at once: one call of the JSON parser."""
        if not lines:
            return
        take = self._taker.sample
        try:
            for tag, t_ns, axis, counts, age_us in json.loads(b"[" + b",".join(lines) + b"]"):
                if tag != "p" or not 0 <= axis < self._axes or not isinstance(t_ns + axis + counts + age_us, int):
                    raise ValueError("not a sample")
                take(t_ns, axis, counts, age_us)
        except (ValueError, TypeError, RecursionError) as error:
            raise self._refused("near here stands a sample that cannot be read") from error

    def _record(self, line: bytes) -> None:
        try:
            value = json.loads(line)
        except (ValueError, RecursionError) as error:
            raise self._refused("the line is not JSON") from error
        if not isinstance(value, dict):
            raise self._refused("the line is neither a record nor a sample")
        if self._line == 1:
            if value.get("k") != "run" or "journal" not in value:
                raise self._refused("the first line is not the 'run' record of a journal")
            self._upgrade = upgrader(value["journal"], UPGRADES)
        upgraded = self._upgrade(value)
        if upgraded is None:
            return
        fields = dict(upgraded)
        kind, t_ns = fields.pop("k", None), fields.pop("t", None)
        if not isinstance(kind, str) or not isinstance(t_ns, int):
            raise self._refused("the record has no kind or no time")
        lacking = missing(kind, fields)
        if lacking is not None:
            raise self._refused(f"the {kind!r} record has no {lacking!r}")
        if kind in KINDS:
            self._hand_over(kind, t_ns, fields)

    def _hand_over(self, kind: str, t_ns: int, fields: dict[str, Any]) -> None:
        try:
            if kind == "run":
                self._axes = len(fields["axes"])
            self._taker.record(kind, t_ns, fields)
        except (LookupError, TypeError, ValueError, ArithmeticError, AttributeError) as error:
            raise self._refused(f"the {kind!r} record cannot be understood ({error})") from error
        self.ended = self.ended or kind == "end"

    def _refused(self, why: str) -> RecipeError:
        return RecipeError(f"{self._name}:{self._line}: {why}", rule="journal", help="Is this the journal of a run?")


class Tail:
    """
    The journal file of a run that may not have begun yet. A context: the file is closed at its end.

    `read` hands over what has come since; `exists` says whether the file was there, `ended` whether its last record
    was. When another run takes the folder over, the file is another one: `replaced` is then true, and nothing more
    comes.
    """

    def __init__(self, path: Path, taker: Taker) -> None:
        self.path = path
        self.replaced = False
        self._lines = Lines(taker, str(path))
        self._fd: int | None = None
        self._read = 0

    @property
    def exists(self) -> bool:
        """Whether the file was there when it was last looked for."""
        return self._fd is not None

    @property
    def ended(self) -> bool:
        """Whether the run has come to its end."""
        return self._lines.ended

    @property
    def size(self) -> int:
        """How many bytes were read."""
        return self._read

    def written_s(self) -> float | None:
        """When the file was last written, seconds since 1970; None for no file."""
        return None if self._fd is None else os.fstat(self._fd).st_mtime

    def read(self) -> bool:
        """
        Hand over what has come; whether anything has. After a piece of `PIECE` bytes there may be more at once.

        Raises:
            RecipeError: the file cannot be read, or is no journal.
        """
        if self.replaced or self.ended:
            return False
        try:
            if self._fd is None and not self._open():
                return False
            assert self._fd is not None
            data = os.read(self._fd, PIECE)
            if not data:
                self.replaced = self._gone(self._fd)
                return False
        except OSError as error:
            raise RecipeError(f"{self.path} cannot be read: {error.strerror}", rule="journal-file") from error
        self._read += len(data)
        self._lines.feed(data)
        return True

    def _open(self) -> bool:
        try:
            self._fd = os.open(self.path, os.O_RDONLY | getattr(os, "O_CLOEXEC", 0) | getattr(os, "O_BINARY", 0))
        except FileNotFoundError:
            return False
        return True

    def _gone(self, fd: int) -> bool:
        """Whether the file at the path is another one by now, was deleted, or begins anew."""
        held = os.fstat(fd)
        try:
            now = os.stat(self.path)
        except FileNotFoundError:
            return True
        return (now.st_dev, now.st_ino) != (held.st_dev, held.st_ino) or now.st_size < self._read

    def close(self) -> None:
        """Idempotent."""
        if self._fd is not None:
            os.close(self._fd)
            self._fd = None

    def __enter__(self) -> "Tail":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()
