"""
Supervising a session on a live bus.

The session never suspends: it waits inside its link, in a thread of its own. In an event loop it would starve the loop,
and with it the signal handlers; so the loop stays in the main thread and has nothing to do but to look after the rest.
"""

import signal
import socket
import threading
from collections.abc import Awaitable, Callable, Coroutine, Iterator
from contextlib import contextmanager
from types import FrameType
from typing import Any, TypeVar

from choreo.link.port import Interrupt, Link
from choreo.link.simulated import run_by_hand

T = TypeVar("T")

#: By name, because not every system has all of them.
SIGNALS = ("SIGINT", "SIGTERM", "SIGHUP", "SIGQUIT", "SIGTSTP")


def run_live(make: Callable[[], Coroutine[Any, Any, T]], link: Link, *alongside: Callable[[], Awaitable[None]]) -> T:
    """
    Run `make()` by hand in a thread of its own, while this thread takes signals and runs `alongside` under anyio.

    Each interrupt, termination or hang-up signal is posted to the link as an `Interrupt`, as often as it comes; none
    of them kills the process, because the session has a machine to bring to rest. Tasks in `alongside` (a keyboard
    reader, say) end with the session; one that fails is an `Interrupt` as well, and its exception is raised at the end.
    """
    import anyio
    import anyio.to_thread

    ended: list[Callable[[], T]] = []

    def session() -> None:
        try:
            result = run_by_hand(make())
        except BaseException as failure:  # noqa: BLE001  handed over to the thread that waits, whatever it is
            ended.append(_raiser(failure))
        else:
            ended.append(lambda: result)

    async def beside(task: Callable[[], Awaitable[None]]) -> None:
        try:
            await task()
        except Exception as failure:  # noqa: BLE001  raised again at the end, when the machine is at rest
            link.post(Interrupt(f"{getattr(task, '__name__', 'a task beside the session')} failed: {failure!r}"))
            failures.append(failure)

    async def stay_awake(alarm: socket.socket) -> None:
        while True:
            await anyio.wait_readable(alarm)
            alarm.recv(4096)

    async def supervise() -> None:
        async with anyio.create_task_group() as group:
            if alarm is not None:
                group.start_soon(stay_awake, alarm)
            for task in alongside:
                group.start_soon(beside, task)
            await anyio.to_thread.run_sync(session)
            group.cancel_scope.cancel()

    failures: list[Exception] = []
    with signals_post_to(link) as alarm:
        anyio.run(supervise)
    try:
        return ended[0]()
    finally:
        if failures:
            raise failures[0]


async def readable(descriptor: int) -> None:
    """Wait, beside a session, until there is something to read."""
    import anyio

    await anyio.wait_readable(descriptor)


async def pause(seconds: float) -> None:
    """Let time pass, beside a session."""
    import anyio

    await anyio.sleep(seconds)


@contextmanager
def signals_post_to(link: Link) -> Iterator[socket.socket | None]:
    """
    While inside, SIGINT, SIGTERM and SIGHUP are posted to `link`, and so are the keys that would end or suspend the
    process in mid-move (SIGQUIT, SIGTSTP).

    Yields a socket that becomes readable at each signal: a handler runs in the main thread only, and a main thread that
    was just about to wait for something else would wait on. None outside the main thread, where no signal is touched.
    """
    if threading.current_thread() is not threading.main_thread():
        yield None
        return

    def handle(number: int, frame: FrameType | None) -> None:
        link.post(Interrupt(signal.Signals(number).name))

    numbers = [getattr(signal, name) for name in SIGNALS if hasattr(signal, name)]
    ringing, alarm = socket.socketpair()
    ringing.setblocking(False)
    alarm.setblocking(False)
    before = {number: signal.signal(number, handle) for number in numbers}
    rang_before = signal.set_wakeup_fd(ringing.fileno(), warn_on_full_buffer=False)
    try:
        yield alarm
    finally:
        signal.set_wakeup_fd(rang_before)
        for number, handler in before.items():
            signal.signal(number, handler)
        ringing.close()
        alarm.close()


def _raiser(failure: BaseException) -> Callable[[], Any]:
    def raise_it() -> Any:
        raise failure

    return raise_it
