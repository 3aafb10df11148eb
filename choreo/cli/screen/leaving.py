"""How somebody who looks on leaves: `q` and Enter, Ctrl-C, a signal, a terminal that is closed."""

import os
import select
import signal
from types import FrameType, TracebackType
from typing import Any, TextIO

from choreo.cli.screen.modes import Modes


class Onlooker:
    """
    Knows when whoever looks on wants to leave. A context: inside, what is typed is not shown, and signals only set a
    flag. Without a `stream` only signals count, and so it is for a stream that is no terminal.
    """

    def __init__(self, stream: TextIO | None) -> None:
        self._fd = stream.fileno() if stream is not None and stream.isatty() else None
        self._asked = False
        self._before: dict[int, Any] = {}
        self._modes = None if self._fd is None else Modes(self._fd)
        self._bell: tuple[int, int] = (-1, -1)

    def leaves(self, seconds: float) -> bool:
        """Whether somebody has asked to leave by now; waits so long for it."""
        if self._asked:
            return True
        watched = [self._bell[0]] if self._fd is None else [self._bell[0], self._fd]
        ready = select.select(watched, [], [], seconds)[0]
        if self._fd in ready:
            self._read(self._fd)
        return self._asked

    def _read(self, fd: int) -> None:
        try:
            line = os.read(fd, 1024)
        except OSError:
            line = b""
        if not line or line.strip().lower() in (b"q", b"quit"):  # nothing: Ctrl-D, or the terminal has gone
            self._asked = True

    def _signal(self, number: int, frame: FrameType | None) -> None:
        self._asked = True

    def __enter__(self) -> "Onlooker":
        self._bell = os.pipe()
        for end in self._bell:
            os.set_blocking(end, False)
        for name in ("SIGINT", "SIGTERM", "SIGHUP"):
            number = getattr(signal, name, None)
            if number is not None and signal.getsignal(number) is not signal.SIG_IGN:
                self._before[number] = signal.signal(number, self._signal)
        if self._fd is not None and hasattr(signal, "SIGTSTP"):  # the picture would go on over the shell's
            self._before[signal.SIGTSTP] = signal.signal(signal.SIGTSTP, signal.SIG_IGN)
        signal.set_wakeup_fd(self._bell[1], warn_on_full_buffer=False)
        if self._modes is not None:
            self._modes.quiet()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._modes is not None:
            self._modes.put_back()
        signal.set_wakeup_fd(-1)
        for number, handler in self._before.items():
            signal.signal(number, handler)
        for end in self._bell:
            os.close(end)
