"""
Writes a journal: one JSON line a record, in the order of the calls, as it happens.

A record is handed to the operating system before `write` returns, together with every sample before it, so that a
crash of choreo loses none. Samples alone wait for their neighbours, at most `SAMPLES_HELD` of them. What must outlive a
power cut is followed by `sync`.
"""

import errno
import json
import os
from collections.abc import Callable
from enum import Enum
from fractions import Fraction
from pathlib import Path
from typing import Any, TextIO

from choreo.errors import InternalError, MachineFault, RecipeError
from choreo.journal.exact import exact

SAMPLES_HELD = 32

#: Called with kind, time and fields, the fields as a reader would read them.
Observer = Callable[[str, int, dict[str, Any]], None]
#: Called with time, axis index, counts and age in microseconds.
SampleObserver = Callable[[int, int, int, int], None]


def _plain(value: object) -> object:
    """What JSON has no word for: fractions as exact text, bytes as hexadecimal, paths and other enums as text."""
    if isinstance(value, Fraction):
        return exact(value)
    if isinstance(value, bytes):
        return value.hex(".").upper()
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, Path):
        return value.as_posix()
    raise TypeError(f"a journal cannot hold a {type(value).__name__}")


_encode = json.JSONEncoder(ensure_ascii=False, allow_nan=False, separators=(",", ":"), default=_plain).encode


class JournalWriter:
    """
    The journal of one run, in a file (`path`), in a text stream, in both or, for a run that keeps none, in neither.

    `observer` sees every record after it is written, `sample_observer` every sample: the screen's way in. Both are
    called in the session's own coroutine and must not wait. RecipeError when the file cannot be made.

    When the file takes no more (a full disk) the next `write` raises MachineFault, once; what follows is dropped, so
    that bringing the machine to rest never fails for want of a record of it. `failure` keeps what happened.
    """

    def __init__(
        self,
        path: Path | None,
        stream: TextIO | None = None,
        *,
        observer: Observer | None = None,
        sample_observer: SampleObserver | None = None,
    ) -> None:
        self._fd = _open(path) if path is not None else None
        self._stream = stream
        self._observer = observer
        self._sample_observer = sample_observer
        self._held: list[str] = []
        self._closed = False
        self.failure: MachineFault | None = None
        self._unsaid: MachineFault | None = None

    def write(self, kind: str, t_ns: int, /, **fields: Any) -> None:
        """
        One record: `{"k": kind, "t": t_ns, ...}`, fields in the order given.

        Fractions are written exactly (`exact`), bytes and paths as text. InternalError for a value that a journal
        cannot hold, so that no record is lost in silence; MachineFault as said above.
        """
        try:
            line = _encode({"k": kind, "t": t_ns, **fields})
        except (TypeError, ValueError) as error:
            raise InternalError(f"the journal record {kind!r} cannot be written: {error}", rule="journal") from error
        self._held.append(line + "\n")
        self.flush()
        if self._observer is not None:
            read_back = json.loads(line)
            del read_back["k"], read_back["t"]
            self._observer(kind, t_ns, read_back)
        if self._unsaid is not None:
            failure, self._unsaid = self._unsaid, None
            raise failure

    def sample(self, t_ns: int, axis: int, counts: int, age_us: int) -> None:
        """A position reading: `axis` by index, arrived at `t_ns`, at most `age_us` microseconds old by then."""
        held = self._held
        held.append(f'["p",{t_ns},{axis},{counts},{age_us}]\n')
        if len(held) >= SAMPLES_HELD:
            self.flush()
        if self._sample_observer is not None:
            self._sample_observer(t_ns, axis, counts, age_us)

    def flush(self) -> None:
        """Hand everything written so far to the operating system."""
        if not self._held:
            return
        text = "".join(self._held)
        self._held.clear()
        if self._fd is not None and self.failure is None:
            try:
                _write_all(self._fd, text.encode("utf-8", "backslashreplace"))
            except OSError as error:
                self._fail(error)
        if self._stream is not None:
            self._stream.write(text)
            self._stream.flush()

    def sync(self) -> None:
        """Flush, and wait until the file is on the disk."""
        self.flush()
        if self._fd is not None and self.failure is None:
            try:
                os.fsync(self._fd)
            except OSError as error:
                if error.errno not in (errno.EINVAL, errno.ENOTSUP):  # a pipe or a device has nothing to sync
                    self._fail(error)

    def close(self) -> None:
        """Flush, sync and close the file. Idempotent. A stream that was passed in stays open."""
        if self._closed:
            return
        self._closed = True
        self.sync()
        if self._fd is not None:
            os.close(self._fd)
            self._fd = None

    def _fail(self, error: OSError) -> None:
        self.failure = self._unsaid = MachineFault(
            f"the journal cannot be written any more: {error.strerror}",
            rule="journal-file",
            help="Make room on the disk; the journal of this run ends where the disk was full.",
        )

    def __enter__(self) -> "JournalWriter":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def _open(path: Path) -> int:
    flags = os.O_WRONLY | os.O_CREAT | os.O_TRUNC | getattr(os, "O_CLOEXEC", 0) | getattr(os, "O_BINARY", 0)
    try:
        return os.open(path, flags, 0o666)
    except OSError as error:
        raise RecipeError(
            f"the journal {path} cannot be written: {error.strerror}",
            rule="journal-file",
            help="Name another folder with --out.",
        ) from error


def _write_all(fd: int, data: bytes) -> None:
    """`os.write` may take a part only, on a full pipe or disk."""
    view = memoryview(data)
    while view:
        view = view[os.write(fd, view) :]
