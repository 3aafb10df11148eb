"""Signals during a run: they ask the session to stop the machine, and never break anything off by themselves."""

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType
from typing import Any

from choreo.link.port import Interrupt, Link

#: By name, because not every system has all of them.
SIGNALS = {"SIGINT": "Ctrl-C", "SIGTERM": "asked to end (SIGTERM)", "SIGHUP": "the terminal was closed (SIGHUP)"}


@contextmanager
def ending_quietly() -> Iterator[None]:
    """
    While inside, each of the signals is a `KeyboardInterrupt`, as Ctrl-C is: for a command that has not sent anything
    yet. Whoever opens a link takes them over meanwhile.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before: dict[int, Any] = {}

    def end(number: int, frame: FrameType | None) -> None:
        raise KeyboardInterrupt

    for name in SIGNALS:
        number = getattr(signal, name, None)
        if number is not None and signal.getsignal(number) is not signal.SIG_IGN:
            before[number] = signal.signal(number, end)
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


@contextmanager
def interrupts_to(link: Link) -> Iterator[None]:
    """
    While inside, Ctrl-C and its relatives are posted to the link as `Interrupt`. A signal that is ignored stays ignored
    (nohup); outside the main thread Python has no signals, and nothing is changed.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before: dict[int, Any] = {}

    def post(number: int, frame: FrameType | None) -> None:
        link.post(Interrupt(SIGNALS[signal.Signals(number).name]))

    for name in SIGNALS:
        number = getattr(signal, name, None)
        if number is not None and signal.getsignal(number) is not signal.SIG_IGN:
            before[number] = signal.signal(number, post)
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
