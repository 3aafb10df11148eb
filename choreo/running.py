"""
Which choreo processes have a bus open now, so that a second terminal can stop them and none opens a bus twice.

Each announces itself in a file of its own, in a folder of the user's that nobody else may enter, and holds a lock on
that file for as long as it lives. The lock dies with the process, however it dies: what a dead process left counts for
nothing, and is cleared away by whoever comes across it.
"""

from __future__ import annotations

import json
import os
import stat
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

from choreo.errors import RecipeError

if sys.platform != "win32":
    import fcntl

#: How long an announcement waits for another that is being made: that takes a millisecond, unless its process hangs.
PATIENCE_S = 2.0
LOOK_AGAIN_S = 0.01
#: Announcements are small; more is none of ours.
MOST_BYTES = 16_384
_SUFFIX = ".json"


@dataclass(frozen=True, slots=True)
class Running:
    """
    A live process of choreo's that has a bus: the machine's name, the bus as it was named, its run folder, and since
    when, in seconds since 1970.
    """

    pid: int
    machine: str
    bus: str
    folder: Path
    since: float = 0.0


@contextmanager
def announced(machine: str, bus: str, folder: Path, *, patience_s: float = PATIENCE_S) -> Iterator[None]:
    """
    While inside, `find` of every process of this user finds this one. Waits at most `patience_s` for others that
    announce themselves at the same moment.

    Raises:
        RecipeError: a live process has the same bus or the same machine (rule `already-running`), or the folder of
            announcements cannot be used (rule `no-announcement`).
    """
    if sys.platform == "win32":  # no locks of this kind there: nobody is found
        yield
        return
    with _alone(_own_folder(), patience_s) as place:
        for other in find():
            if other.machine == machine or same_bus(other.bus, bus):
                where = f"process {other.pid}, run folder {other.folder}"
                raise RecipeError(
                    f"choreo has {other.machine} on {other.bus} already: {where}",
                    rule="already-running",
                    help=f"`choreo watch {other.folder}` shows it, `choreo stop` stops it.",
                )
        file, held = _announce(place, Running(os.getpid(), machine, bus, folder.absolute()))
    try:
        yield
    finally:
        with suppress(OSError):
            file.unlink()
        os.close(held)


def find(machine: str | None = None, bus: str | None = None) -> list[Running]:
    """The live processes, by process number; only those of this machine and of this bus where they are given."""
    found = [one for file in _files() if (one := _look(file)) is not None]
    return sorted(
        (
            one
            for one in found
            if (machine is None or one.machine == machine) and (bus is None or same_bus(one.bus, bus))
        ),
        key=lambda one: one.pid,
    )


def same_bus(first: str, second: str) -> bool:
    """Whether two `interface:channel` name one bus: device files are followed, a baud rate behind `@` is no matter."""
    return _plain_bus(first) == _plain_bus(second)


def _plain_bus(bus: str) -> tuple[str, str]:
    interface, _, channel = bus.partition(":")
    device = channel.partition("@")[0]
    if device.startswith("/") or os.path.exists(device):
        return "", os.path.realpath(device)
    return interface.casefold(), channel


def _folder() -> Path:
    given = os.environ.get("XDG_RUNTIME_DIR", "")
    if given and os.path.isdir(given):
        return Path(given) / "choreo"
    import tempfile

    return Path(tempfile.gettempdir()) / f"choreo-{os.getuid() if sys.platform != 'win32' else 0}"


def _own_folder() -> Path:
    """The folder, made if there is none, and surely ours: what lies in it decides which processes get a signal."""
    folder = _folder()
    try:
        folder.mkdir(mode=0o700, exist_ok=True)
    except OSError as problem:
        raise _unusable(folder, problem.strerror or str(problem)) from None
    if not _is_ours(folder):
        raise _unusable(folder, "it belongs to somebody else, or others may write into it")
    return folder


def _is_ours(folder: Path) -> bool:
    try:
        found = folder.lstat()
    except OSError:
        return False
    ours = sys.platform == "win32" or found.st_uid == os.getuid()
    return stat.S_ISDIR(found.st_mode) and ours and not found.st_mode & 0o077


def _unusable(folder: Path, why: str) -> RecipeError:
    headline = f"{folder}, where choreo's processes announce themselves, cannot be used: {why}"
    return RecipeError(headline, rule="no-announcement", help="Delete it, or set XDG_RUNTIME_DIR to another folder.")


def _files() -> list[Path]:
    folder = _folder()
    if sys.platform == "win32" or not _is_ours(folder):
        return []
    try:
        return sorted(file for file in folder.iterdir() if file.suffix == _SUFFIX)
    except OSError:
        return []


def _look(file: Path) -> Running | None:
    """What a file announces; None, and the file deleted, when its process is dead."""
    try:
        opened = os.open(file, os.O_RDONLY | os.O_NOFOLLOW | os.O_CLOEXEC)
    except OSError:
        return None
    try:
        if _lock(opened, fcntl.LOCK_SH):
            with suppress(OSError):
                file.unlink()
            return None
        return _understood(os.read(opened, MOST_BYTES), os.fstat(opened).st_mtime)
    except OSError:
        return None
    finally:
        os.close(opened)


def _understood(data: bytes, since: float) -> Running | None:
    try:
        told = json.loads(data)
        one = Running(int(told["pid"]), str(told["machine"]), str(told["bus"]), Path(told["folder"]), since)
        if one.pid < 2:  # a signal to it would go to others
            return None
        os.kill(one.pid, 0)
    except (ValueError, KeyError, TypeError, OverflowError, OSError):
        return None
    return one


def _lock(opened: int, how: int) -> bool:
    try:
        fcntl.flock(opened, how | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True


def _announce(place: Path, told: Running) -> tuple[Path, int]:
    """Write the file under a name that nobody looks at, and give it its own once it is whole and locked."""
    name = f"{told.pid}-{time.monotonic_ns():x}"
    draft, file = place / f"{name}.new", place / f"{name}{_SUFFIX}"
    try:
        opened = os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600)
        try:
            _lock(opened, fcntl.LOCK_EX)
            words = {"pid": told.pid, "machine": told.machine, "bus": told.bus, "folder": str(told.folder)}
            os.write(opened, json.dumps(words).encode())
            draft.rename(file)
        except OSError:
            os.close(opened)
            draft.unlink(missing_ok=True)
            raise
    except OSError as problem:
        raise _unusable(place, problem.strerror or str(problem)) from None
    return file, opened


@contextmanager
def _alone(place: Path, patience_s: float) -> Iterator[Path]:
    """While inside, no other process looks and announces itself."""
    try:
        opened = os.open(place / "lock", os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
    except OSError as problem:
        raise _unusable(place, problem.strerror or str(problem)) from None
    try:
        until = time.monotonic() + patience_s
        while not _lock(opened, fcntl.LOCK_EX):
            if time.monotonic() > until:
                raise _unusable(place, "another process is announcing itself and does not end; it seems to hang")
            time.sleep(LOOK_AGAIN_S)
        yield place
    finally:
        os.close(opened)
