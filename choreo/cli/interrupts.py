"""Signals during a command: they ask for the stop, or for the end, and never break anything off by themselves."""

import signal
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from types import FrameType

from choreo.link.port import Interrupt, Link

#: By name, because not every system has all of them.
SIGNALS = {"SIGINT": "Ctrl-C", "SIGTERM": "asked to end (SIGTERM)", "SIGHUP": "the terminal was closed (SIGHUP)"}


@contextmanager
def handled_by(handler: Callable[[int, FrameType | None], object]) -> Iterator[None]:
    """
    While inside, Ctrl-C and its relatives call `handler` and do nothing else. A signal that is ignored stays ignored
    (nohup); outside the main thread Python has no signals, and nothing is changed.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    numbers = [getattr(signal, name) for name in SIGNALS if hasattr(signal, name)]
    taken = [number for number in numbers if signal.getsignal(number) is not signal.SIG_IGN]
    before = {number: signal.signal(number, handler) for number in taken}
    try:
        yield
    finally:
        for number, was in before.items():
            signal.signal(number, was)


def ending_quietly() -> AbstractContextManager[None]:
    """
    While inside, each of the signals is a `KeyboardInterrupt`, as Ctrl-C is: for a command that has not sent anything
    yet. Whoever opens a link takes them over meanwhile.
    """

    def end(number: int, frame: FrameType | None) -> None:
        raise KeyboardInterrupt

    return handled_by(end)


class DuringRun:
    """
    What a signal does in the course of a run on a real bus; handed to `handled_by`. Before the session it ends the
    command quietly. From `handed_to` on it is the session's, and for one that has ended nothing more: how it ended must
    still be kept and shown. An operator who presses Ctrl-C again and again would lose the word of which axis is not
    proven to stand. From `SHOWING_S` after `shows` on it ends the command again: a halted terminal shows nothing.
    """

    SHOWING_S = 3.0

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._link: Link | None = None
        self._shown_s = 0.0

    def handed_to(self, link: Link) -> None:
        """The session is about to begin."""
        self._link = link

    def shows(self) -> None:
        """The session is over and everything kept."""
        self._shown_s, self._link = self._clock() + self.SHOWING_S, None

    def __call__(self, number: int, frame: FrameType | None) -> None:
        """A signal has come."""
        if self._link is not None:
            self._link.post(Interrupt(SIGNALS[signal.Signals(number).name]))
        elif self._clock() >= self._shown_s:
            raise KeyboardInterrupt


def interrupts_to(link: Link) -> AbstractContextManager[None]:
    """While inside, Ctrl-C and its relatives are posted to the link as `Interrupt`."""
    return handled_by(lambda number, frame: link.post(Interrupt(SIGNALS[signal.Signals(number).name])))
