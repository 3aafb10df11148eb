"""
Driving a session by hand, and supervising it on a live bus.

The session never suspends: it waits inside its link. So it needs no event loop, and one would only get in its way: a
coroutine that does not suspend starves a loop, and the loop starves its signal handlers.
"""

import signal
import threading
from collections.abc import Awaitable, Callable, Coroutine, Iterator
from contextlib import contextmanager
from types import FrameType
from typing import Any, TypeVar

from choreo.errors import InternalError
from choreo.link.port import Interrupt, Link

T = TypeVar("T")


def drive(coroutine: Coroutine[Any, Any, T]) -> T:
    """
    Run a coroutine that waits in its link alone, to its end, in this thread.

    Raises:
        InternalError: it suspended, that is, it awaited something other than its link.
    """
    try:
        coroutine.send(None)
    except StopIteration as end:
        return end.value  # type: ignore[no-any-return]
    coroutine.close()
    raise InternalError("the session waited for something other than its link", rule="suspended")


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
            result = drive(make())
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

    async def supervise() -> None:
        async with anyio.create_task_group() as group:
            for task in alongside:
                group.start_soon(beside, task)
            await anyio.to_thread.run_sync(session)
            group.cancel_scope.cancel()

    failures: list[Exception] = []
    with signals_post_to(link):
        anyio.run(supervise)
    try:
        return ended[0]()
    finally:
        if failures:
            raise failures[0]


@contextmanager
def signals_post_to(link: Link) -> Iterator[None]:
    """While inside, SIGINT, SIGTERM and SIGHUP are posted to `link`. Does nothing outside the main thread."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return

    def handle(number: int, frame: FrameType | None) -> None:
        link.post(Interrupt(signal.Signals(number).name))

    numbers = [getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)]
    before = {number: signal.signal(number, handle) for number in numbers}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _raiser(failure: BaseException) -> Callable[[], Any]:
    def raise_it() -> Any:
        raise failure

    return raise_it
