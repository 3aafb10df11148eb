"""Starts and ends the process that draws. Whoever uses this never waits for a terminal."""

import json
import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from types import TracebackType

import choreo
from choreo.journal.folder import JOURNAL

#: How a screen ended, as its exit code: told to, with the run, for want of a terminal, by an error that it has said.
TOLD, RUN_ENDED, NO_TERMINAL, FAILED = 0, 3, 4, 5
#: What is said last on its input; an input that ends without it means that this side was killed.
FAREWELL = "close"
#: How long the last picture may take, seconds; a terminal that takes nothing (Ctrl-S) is not waited for any longer.
PATIENCE_S = 2.0

_START = (
    "import sys; sys.path.append(sys.argv.pop(1)); from choreo.cli.screen.child import main; "
    "sys.exit(main(sys.argv[1:]))"
)


class ScreenProcess:
    """
    The screen of the run in `folder`, on this process' standard output. A context: started inside, closed at its end.

    It ends with `close`, or by itself when this process is gone. `watching`: for somebody who only looks on; it then
    ends with the run, too.
    """

    def __init__(self, folder: Path, *, watching: bool = False) -> None:
        self._journal = folder if folder.name == JOURNAL or folder.is_file() else folder / JOURNAL
        self._role = "watch" if watching else "run"
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start drawing. OSError when no process can be started."""
        root = str(Path(choreo.__file__).parents[1])
        command = [sys.executable, "-P", "-c", _START, root, str(self._journal), self._role]
        with _signals_held():
            self._process = subprocess.Popen(command, stdin=subprocess.PIPE, close_fds=True)
        assert self._process.stdin is not None
        if hasattr(os, "set_blocking"):
            os.set_blocking(self._process.stdin.fileno(), False)

    def typed(self, text: str) -> None:
        """What the operator has typed so far. Never waits and never fails: a screen that is gone misses it."""
        self._say({"typed": text})

    def poll(self) -> int | None:
        """The exit code of a screen that has ended by itself (`TOLD` and the others); None while it draws."""
        return None if self._process is None else self._process.poll()

    def close(self) -> int | None:
        """
        Have it draw a last time, give the terminal back and end. Its exit code; None when it was never started.

        One that does not end in time is killed, and the terminal given back from here.
        """
        self._say({FAREWELL: True})
        process, self._process = self._process, None
        if process is None or process.stdin is None:
            return None
        with suppress(OSError):
            process.stdin.close()
        try:
            code = process.wait(PATIENCE_S)
        except subprocess.TimeoutExpired:
            process.kill()
            code = process.wait()
        if code < 0:  # by a signal
            _give_back()
        return code

    def _say(self, what: dict[str, object]) -> None:
        if self._process is None or self._process.stdin is None:
            return
        try:
            os.write(self._process.stdin.fileno(), json.dumps(what).encode() + b"\n")
        except (OSError, ValueError):  # full, or gone
            return

    def __enter__(self) -> "ScreenProcess":
        self.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def _give_back() -> None:
    """The terminal, from a screen that could not do so itself. Not to be waited for either."""
    from choreo.cli.screen.paint import LEAVE

    with suppress(OSError, ValueError, AttributeError):
        fd = sys.stdout.fileno()
        if not os.isatty(fd):
            return
        os.set_blocking(fd, False)
        try:
            os.write(fd, LEAVE.encode())
        finally:
            os.set_blocking(fd, True)


@contextmanager
def _signals_held() -> Iterator[None]:
    """A child inherits what is held back: a Ctrl-C cannot end it before it has learnt to ignore it."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    names = ("SIGINT", "SIGTERM", "SIGHUP", "SIGTSTP", "SIGTTOU")
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {getattr(signal, name) for name in names})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)
