"""
What was submitted to a live link and is not yet known to have left.

The session's thread puts frames in, the writer's thread takes them out, and whoever sees an echo, or returns from
`send`, says that a frame has left. The lock is held for moments only and never while an adapter is sending.
"""

import threading
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass

from choreo.frame import Frame

#: How many frames may be in the adapter without a sign that they have left (practice.md P7).
IN_ADAPTER = 2
#: Longer than any run.
NEVER_STALE_NS = 1 << 62
#: How many of the frames that have left are remembered, for echoes that nobody asked for.
REMEMBERED = 64


@dataclass(slots=True, eq=False)
class Handed:
    """A frame that was given to the adapter at `since_ns`."""

    frame: Frame
    confirm: bool
    since_ns: int


class Outbox:
    """
    First in, first out; `now_ns` is the link's clock. What has waited for `stale_ns` is never given to the adapter: the
    whole computer may have been halted meanwhile and the machine been stopped by somebody else, and a start that left
    now would set it going again. Then everything that waits stays, and `stale` says how long the oldest did.
    """

    def __init__(self, now_ns: Callable[[], int], stale_ns: int = NEVER_STALE_NS) -> None:
        self.stale = 0
        self._now_ns = now_ns
        self._stale_ns = stale_ns
        self._gate = threading.Condition()
        self._waiting: deque[tuple[Frame, bool, int]] = deque()  # to be confirmed or not; since when
        self._in_adapter: deque[Handed] = deque()
        self._gone: deque[Frame] = deque(maxlen=REMEMBERED)
        self._ended = False

    def put(self, frame: Frame, confirm: bool) -> None:
        """Add a frame at the end."""
        with self._gate:
            self._waiting.append((frame, confirm, self._now_ns()))
            self._gate.notify_all()

    def withdraw(self, unwanted: Callable[[Frame], bool]) -> list[Frame]:
        """Take back the frames not yet given to the adapter for which `unwanted` is true."""
        with self._gate:
            verdicts = [(entry, unwanted(entry[0])) for entry in self._waiting]
            self._waiting = deque(entry for entry, taken in verdicts if not taken)
        return [entry[0] for entry, taken in verdicts if taken]

    def unsent(self) -> int:
        """How many frames are not known to have left."""
        with self._gate:
            return len(self._waiting) + len(self._in_adapter)

    def take(self) -> Handed | None:
        """
        Wait until a frame may go to the adapter, and count it as being there; None when sending has ended, or when what
        waits has become stale.
        """
        with self._gate:
            while not self._ended:
                if self._waiting and len(self._in_adapter) < IN_ADAPTER:
                    now = self._now_ns()
                    frame, confirm, since_ns = self._waiting[0]
                    if now - since_ns > self._stale_ns:
                        self.stale = now - since_ns
                        return None
                    self._waiting.popleft()
                    handed = Handed(frame, confirm, now)
                    self._in_adapter.append(handed)  # before the bus has it: its echo may come before `send` returns
                    return handed
                self._gate.wait()
        return None

    def has_left(self, handed: Handed) -> None:
        """The frame is out of the adapter; the next one may go in."""
        with self._gate:
            self._in_adapter.remove(handed)
            self._gone.append(handed.frame)
            self._gate.notify_all()

    def in_adapter_like(self, frame: Frame) -> Handed | None:
        """The oldest frame in the adapter that looks like `frame` on the wire."""
        with self._gate:
            return next((handed for handed in self._in_adapter if handed.frame.same_bits(frame)), None)

    def forget_gone_like(self, frame: Frame) -> bool:
        """Whether a frame like this one left lately; each is said to have done so only once."""
        with self._gate:
            sent = next((gone for gone in self._gone if gone.same_bits(frame)), None)
            if sent is not None:
                self._gone.remove(sent)
        return sent is not None

    def oldest_in_adapter(self) -> Handed | None:
        """What has been in the adapter the longest."""
        with self._gate:
            return self._in_adapter[0] if self._in_adapter else None

    def wait_until_empty(self, seconds: float) -> None:
        """Wait until everything has left, or sending has ended, or for so long."""
        with self._gate:
            self._gate.wait_for(lambda: self._ended or not (self._waiting or self._in_adapter), seconds)

    def end(self) -> None:
        """Nothing is taken out any more. What is inside stays unsent."""
        with self._gate:
            self._ended = True
            self._gate.notify_all()
