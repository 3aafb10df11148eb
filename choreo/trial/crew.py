"""
Numbered pieces of work, spread over processes; the results come back in the order of the numbers, whoever was faster.

Workers are started anew (`spawn`), the same on every system, and hold nothing of the parent but what they are given.
Each makes its work once and does it for many numbers. A worker that dies takes the one piece that it was at with it;
that is told, and another one takes its place.
"""

import multiprocessing
import signal
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from multiprocessing.connection import Connection, wait
from typing import Any, Generic, TypeVar

from choreo.errors import ChoreoError, InternalError

T = TypeVar("T")

#: How often somebody who wants it all to end is looked for, seconds.
LOOK_S = 0.2
#: The pieces that a worker holds, so that it never waits for its next one.
AHEAD = 3
#: How many results may wait for an earlier one, per worker.
WAITING = 64


@dataclass(frozen=True, slots=True)
class Died:
    """The process that was at this piece ended without a result. `code`: its exit code, below zero for a signal."""

    code: int | None


@dataclass(frozen=True, slots=True)
class Broke:
    """The work itself raised: a bug, with its traceback."""

    headline: str
    text: str


@dataclass(slots=True)
class _Worker:
    process: Any
    connection: "Connection[Any, Any]"
    given: deque[int] = field(default_factory=deque)
    ready: bool = False


class Crew(Generic[T]):
    """
    `make(argument)` is called once in each process, and what it returns for each number. `make` must be importable by
    its name, `argument` and results must be picklable. Results may depend on the number and the argument only: then
    they are the same whatever `jobs` is.
    """

    def __init__(self, make: Callable[[Any], Callable[[int], T]], argument: Any, jobs: int) -> None:
        self._make = make
        self._argument = argument
        self._jobs = max(1, jobs)
        self._workers: list[_Worker] = []

    def results(
        self, count: int, enough: Callable[[], bool] = lambda: False
    ) -> Iterator[tuple[int, "T | Died | Broke"]]:
        """
        Each number below `count` with its result, in order. Ends early, between two results, when `enough` says so.

        Raises InternalError when a worker dies before it has begun: then none would come further; and whatever
        ChoreoError `make` raised.
        """
        done: dict[int, T | Died | Broke] = {}
        to_give: deque[int] = deque()
        given = returned = 0
        try:
            self._workers = [self._start() for _ in range(min(self._jobs, count))]
            while returned < count and not enough():
                most = min(count, returned + WAITING * len(self._workers))
                to_give.extend(range(given, most))
                given = max(given, most)
                self._give(to_give)
                self._take(done, to_give)
                while returned in done and not enough():
                    yield returned, done.pop(returned)
                    returned += 1
        finally:
            self._end()

    def _give(self, to_give: deque[int]) -> None:
        """Fill up every worker's hands, the emptiest first."""
        while to_give:
            worker = min(self._workers, key=lambda worker: len(worker.given))
            if len(worker.given) >= AHEAD:
                return
            number = to_give.popleft()
            worker.given.append(number)
            try:
                worker.connection.send(number)
            except OSError:  # it is dead, which `_take` will find
                return

    def _take(self, done: "dict[int, T | Died | Broke]", to_give: deque[int]) -> None:
        """Whatever results have come; waits a little for the first."""
        by_connection = {id(worker.connection): worker for worker in self._workers}
        for ready in wait([worker.connection for worker in self._workers], LOOK_S):
            worker = by_connection[id(ready)]
            try:
                number, result = worker.connection.recv()
            except (EOFError, OSError):
                self._bury(worker, done, to_give)
                continue
            if number is None:
                if result is not None:
                    raise result
                worker.ready = True
                continue
            worker.given.remove(number)
            done[number] = result

    def _bury(self, worker: _Worker, done: "dict[int, T | Died | Broke]", to_give: deque[int]) -> None:
        """A worker has died: its first piece is lost with it, the others go to its successor."""
        worker.process.join()
        worker.connection.close()
        code = worker.process.exitcode
        if not worker.ready:
            raise InternalError(
                f"a worker ended before it had begun, with exit code {code}",
                rule="worker",
                help="A script that starts workers must do so under `if __name__ == '__main__':`.",
            )
        if worker.given:
            done[worker.given.popleft()] = Died(code)
        to_give.extendleft(reversed(worker.given))
        self._workers[self._workers.index(worker)] = self._start()

    def _start(self) -> _Worker:
        spawn = multiprocessing.get_context("spawn")
        ours, theirs = spawn.Pipe()
        process = spawn.Process(target=_serve, args=(theirs, self._make, self._argument), daemon=True)
        with _undisturbed():
            process.start()
        theirs.close()  # so that the end of the worker is the end of the pipe
        return _Worker(process, ours)

    def _end(self) -> None:
        """Whatever a worker is at is of no use any more."""
        for worker in self._workers:
            worker.process.terminate()
        for worker in self._workers:
            worker.process.join()
            worker.connection.close()
        self._workers = []


def _serve(connection: "Connection[Any, Any]", make: Callable[[Any], Callable[[int], Any]], argument: Any) -> None:
    """The worker's whole life. It ends when the pipe does."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for the parent, which ends its workers
    try:
        try:
            work = make(argument)
        except ChoreoError as error:
            connection.send((None, error))
            return
        connection.send((None, None))
        while True:
            number = connection.recv()
            connection.send((number, _result(work, number)))
    except (EOFError, OSError):  # the parent is gone
        return


def _result(work: Callable[[int], Any], number: int) -> Any:
    try:
        return work(number)
    except Exception as bug:  # noqa: BLE001  it is told as the result of this piece
        import traceback

        return Broke(f"{type(bug).__name__}: {bug}", "".join(traceback.format_exception(bug)))


@contextmanager
def _undisturbed() -> Iterator[None]:
    """
    Holds Ctrl-C back while a process is started, and lets the new one begin with it held back: a worker that is
    interrupted before it can ignore it would print a traceback. Only where threads have signal masks.
    """
    hold = getattr(signal, "pthread_sigmask", None)
    if hold is None:
        yield
        return
    before = hold(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        hold(signal.SIG_SETMASK, before)
