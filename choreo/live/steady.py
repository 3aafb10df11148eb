"""
Keeping the session's own pauses short: it shares its computer with other programs and with Python's memory.

A collection of everything that was read and planned takes tens of milliseconds, as long as a drive may take to answer;
what is there when the run begins is kept out of it. Where the system lets us, the process goes before others.
"""

import gc
import os
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress

#: Of the round-robin class of real-time processes, 1 to 99: above all usual programs, below what the system needs.
PRIORITY = 10


@contextmanager
def steady() -> Iterator[str]:
    """
    While inside, what exists now is not looked at by the collector, and the threads of this process that there are go
    before others; a thread that is started later calls `go_first` itself, and processes that it starts do not go first.
    Yields why this is not so, in words; empty where it is.
    """
    gc.collect()
    gc.freeze()
    changed: list[tuple[int, int]] = []
    trouble = ""
    for thread in threading.enumerate():
        trouble = _put_first(thread.native_id or 0, changed) or trouble
    try:
        yield trouble
    finally:
        for thread_id, before in changed:
            _go_back(thread_id, before)
        gc.unfreeze()


def go_first() -> None:
    """The calling thread goes before others until it ends; where the system does not let it, it does not."""
    _put_first(0, [])


def _put_first(thread_id: int, changed: list[tuple[int, int]]) -> str:
    """Notes the scheduling class that a thread had if it is changed; why it is not, in words."""
    try:
        before = os.sched_getscheduler(thread_id)
        if before & ~os.SCHED_RESET_ON_FORK in (os.SCHED_FIFO, os.SCHED_RR):
            return ""  # whoever started us has seen to it
        os.sched_setscheduler(thread_id, os.SCHED_RR | os.SCHED_RESET_ON_FORK, os.sched_param(PRIORITY))
    except AttributeError:
        return "this system has no real-time class of processes"
    except ProcessLookupError:
        return ""  # it has just ended
    except OSError as refusal:
        return f"the system does not let it: {refusal.strerror}"
    changed.append((thread_id, before))
    return ""


def _go_back(thread_id: int, before: int) -> None:
    # Not everybody may take the mark back that keeps children out of the class; it does no harm to stay.
    for policy in (before, before | os.SCHED_RESET_ON_FORK):
        with suppress(OSError):
            os.sched_setscheduler(thread_id, policy, os.sched_param(0))
            return
