"""
Virtual time: a heap of callbacks ordered by (time, priority, sequence).

Two callbacks of one instant run by priority, the lower first, and within a priority in the order in which they were
asked for; nothing else ever decides an order, so a simulation repeats exactly. Nothing here reads a real clock.
"""

from collections.abc import Callable, Sized
from heapq import heappop, heappush
from typing import Any

Callback = Callable[[Any], object]

#: What `Kernel.at` returns and `Kernel.cancel` takes, opaque to everyone else: time, priority, sequence, callback, arg.
Handle = list[Any]


class Kernel:
    """The clock of one simulation and everything that is still to happen in it. Times are integer nanoseconds."""

    __slots__ = ("_heap", "_sequence", "now_ns")

    def __init__(self, now_ns: int = 0) -> None:
        self.now_ns = now_ns
        self._heap: list[Handle] = []
        self._sequence = 0

    def at(self, t_ns: int, callback: Callback, arg: Any = None, priority: int = 0) -> Handle:
        """Run `callback(arg)` at `t_ns`; a time that has passed is a bug of the caller's and raises ValueError."""
        if t_ns < self.now_ns:
            raise ValueError(f"asked for {t_ns} ns, but it is {self.now_ns} ns already")
        self._sequence = sequence = self._sequence + 1
        handle = [t_ns, priority, sequence, callback, arg]
        heappush(self._heap, handle)
        return handle

    def after(self, delay_ns: int, callback: Callback, arg: Any = None, priority: int = 0) -> Handle:
        """Run `callback(arg)` when `delay_ns` more nanoseconds have passed."""
        return self.at(self.now_ns + delay_ns, callback, arg, priority)

    def cancel(self, handle: Handle) -> None:
        """Make sure that the callback does not run; harmless when it has run or was cancelled before."""
        handle[3] = handle[4] = None

    def next_ns(self) -> int | None:
        """When the next callback is due; None when nothing is left."""
        heap = self._heap
        while heap and heap[0][3] is None:
            heappop(heap)
        return heap[0][0] if heap else None

    def step(self) -> bool:
        """Go to the next callback's time and run it; False when nothing is left."""
        if self.next_ns() is None:
            return False
        self.now_ns, _, _, callback, arg = heappop(self._heap)
        callback(arg)
        return True

    def run_until(self, t_ns: int, one: Sized = (), other: Sized = ()) -> None:
        """
        Run everything due up to and at `t_ns`, then let the clock stand there; never turns it back.

        Stops as soon as one of the two queues holds something; the clock then stays where it is.
        """
        heap = self._heap
        while not (one or other):
            if not heap or heap[0][0] > t_ns:
                if t_ns > self.now_ns:
                    self.now_ns = t_ns
                return
            now_ns, _, _, callback, arg = heappop(heap)
            if callback is not None:
                self.now_ns = now_ns
                callback(arg)
