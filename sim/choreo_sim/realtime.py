"""
A simulation paced by the real clock.

The kernel stays what it is: callbacks in order of their time. Here it is run up to the present again and again, and in
between the thread waits for the next callback or for real file descriptors, whichever comes first. Everything happens
in one thread; other threads hand their calls over to it.
"""

import select
import socket
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from choreo_sim.kernel import Kernel

Job = Callable[[], object]


class RealTime:
    """
    Runs `kernel` at the pace of the real clock, from the kernel's present time on.

    Build the simulation before it runs; afterwards other threads reach it through `call` alone. `late_ns` is the most
    that a callback was behind the clock: on a busy computer the simulation falls behind and catches up, and never
    changes its order.

    `settled_until` may say up to when nothing from outside can change anything, and nothing is seen outside either:
    so far it runs ahead, which saves waking up for it.
    """

    def __init__(self, kernel: Kernel) -> None:
        self.kernel = kernel
        self.late_ns = 0
        self.settled_until: Callable[[], int] = lambda: 0
        self._watched: dict[int, Job] = {}
        self._full: dict[int, Job] = {}  # descriptors that take no more at present
        self._waker, self._wakened = socket.socketpair()
        self._waker.setblocking(False)
        self._wakened.setblocking(False)
        self._alarm = self._wakened.fileno()
        self._gate = threading.Lock()  # holds the two below
        self._runner: threading.Thread | None = None
        self._jobs: deque[tuple[Job, threading.Event]] = deque()
        self._running = threading.Event()
        self._stopping = False

    def watch(self, descriptor: int, readable: Job) -> None:
        """Call `readable()` whenever the descriptor has something to read. Only from the simulation's own thread."""
        self._watched[descriptor] = readable

    def ignore(self, descriptor: int) -> None:
        """Watch the descriptor no longer. Only from the simulation's own thread."""
        self._watched.pop(descriptor, None)

    def watch_writable(self, descriptor: int, writable: Job) -> None:
        """Call `writable()` whenever the descriptor takes something. Only from the simulation's own thread."""
        self._full[descriptor] = writable

    def ignore_writable(self, descriptor: int) -> None:
        """Wait for that no longer. Only from the simulation's own thread."""
        self._full.pop(descriptor, None)

    def call(self, job: Job) -> None:
        """Run `job()` in the simulation's thread and wait until that is done; at once while the simulation rests."""
        with self._gate:
            elsewhere = self._runner is not None and self._runner is not threading.current_thread()
            if elsewhere:
                done = threading.Event()
                self._jobs.append((job, done))
                self._wake()
        if elsewhere:
            done.wait()
        else:
            job()

    def stop(self) -> None:
        """Let `run` return. Safe from any thread and from a signal handler."""
        self._stopping = True
        self._wake()

    def run(self) -> None:
        """Run until `stop` is called."""
        with self._gate:
            self._runner = threading.current_thread()
        self._running.set()
        try:
            origin_ns = time.perf_counter_ns() - self.kernel.now_ns
            while not self._stopping:
                readable, writable = self._wait(origin_ns)
                self._catch_up(origin_ns)  # what was due before the descriptors spoke comes before them
                for descriptor in readable:
                    if (job := self._watched.get(descriptor)) is not None:
                        job()
                for descriptor in writable:
                    if (job := self._full.get(descriptor)) is not None:
                        job()
                if self._jobs:
                    self._run_jobs()
                self._run_ahead()
        finally:
            with self._gate:
                self._runner = None
                left = list(self._jobs)
                self._jobs.clear()
            for job, done in left:
                job()
                done.set()

    @contextmanager
    def in_thread(self) -> Iterator["RealTime"]:
        """Run in a thread of its own while inside; what the simulation raised comes out at the end."""
        failures: list[BaseException] = []

        def run() -> None:
            try:
                self.run()
            except BaseException as failure:  # noqa: BLE001  raised again in the thread that asked for the simulation
                failures.append(failure)

        thread = threading.Thread(target=run, name="simulation", daemon=True)
        thread.start()
        self._running.wait()
        try:
            yield self
        finally:
            self.stop()
            thread.join()
            self._running.clear()
            self._stopping = False
        if failures:
            raise failures[0]

    def close(self) -> None:
        """Give the wake-up sockets back; the simulation must rest."""
        self._waker.close()
        self._wakened.close()

    def _catch_up(self, origin_ns: int) -> None:
        now_ns = time.perf_counter_ns() - origin_ns
        due_ns = self.kernel.next_ns()
        if due_ns is not None and now_ns - due_ns > self.late_ns:
            self.late_ns = now_ns - due_ns
        self.kernel.run_until(now_ns)

    def _run_ahead(self) -> None:
        settled_ns = self.settled_until()
        if settled_ns > self.kernel.now_ns:
            self.kernel.run_until(settled_ns)

    def _wait(self, origin_ns: int) -> tuple[list[int], list[int]]:
        """Wait for the next callback or descriptor; the descriptors that can be read, and those that take something."""
        due_ns = self.kernel.next_ns()
        wait_s = None if due_ns is None else max(0, due_ns - (time.perf_counter_ns() - origin_ns)) / 1e9
        if self._jobs:
            wait_s = 0.0
        readable, writable, _ = select.select([self._alarm, *self._watched], self._full, [], wait_s)
        if self._alarm in readable:
            self._fall_asleep()
        return readable, writable

    def _run_jobs(self) -> None:
        while self._jobs:
            job, done = self._jobs.popleft()
            try:
                job()
            finally:
                done.set()

    def _wake(self) -> None:
        try:
            self._waker.send(b"!")
        except OSError:  # full: it will wake all the same
            return

    def _fall_asleep(self) -> None:
        try:
            while self._wakened.recv(4096):
                pass
        except BlockingIOError:
            return
