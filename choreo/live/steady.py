"""
Keeping the session's own pauses short: it shares its computer with other programs and with Python's memory.

A collection of everything that was read and planned takes tens of milliseconds, as long as a drive may take to answer;
what is there when the run begins is kept out of it. Where the system lets us, the process goes before others.
"""

import gc
import os
from collections.abc import Iterator
from contextlib import contextmanager

#: Of the round-robin class of real-time processes, 1 to 99: above all usual programs, below what the system needs.
PRIORITY = 10


@contextmanager
def steady() -> Iterator[str]:
    """
    While inside, what exists now is not looked at by the collector, and this process goes before others; processes that
    it starts do not. Yields why it does not, in words; empty where it does.
    """
    gc.collect()
    gc.freeze()
    before, trouble = _go_first()
    try:
        yield trouble
    finally:
        if before is not None:
            _go_back(before)
        gc.unfreeze()


def _go_first() -> tuple[int | None, str]:
    """The scheduling class before, None if it was not changed, and why it was not."""
    try:
        before = os.sched_getscheduler(0)
        os.sched_setscheduler(0, os.SCHED_RR | os.SCHED_RESET_ON_FORK, os.sched_param(PRIORITY))
    except AttributeError:
        return None, "this system has no real-time class of processes"
    except OSError as refusal:
        return None, f"the system does not let it: {refusal.strerror}"
    return before, ""


def _go_back(before: int) -> None:
    try:
        os.sched_setscheduler(0, before, os.sched_param(0))
    except OSError:
        return
