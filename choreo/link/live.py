"""
The link over a real adapter, through python-can.

Sending belongs to a thread of its own, because an adapter's `send` may hang for seconds. Receiving happens in the
session's own thread, in `select`, where the bus has a file descriptor, and in one more thread where it has none (the
virtual bus). Whatever an adapter raises is the loss of the adapter; nothing reconnects within a run (practice.md P7).
"""

import select
import socket
import sys
import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from choreo.errors import LinkLost
from choreo.frame import Frame
from choreo.link.adapter import descriptor_of, open_bus, shut_down, to_frame, to_message, trouble_words, words
from choreo.link.outbox import Handed, Outbox
from choreo.link.port import AdapterLost, BusTrouble, Confirmed, Event, Interrupt

if TYPE_CHECKING:
    from can import BusABC, Message

#: A frame that is in the adapter for longer than this makes the adapter a lost one.
HANG_NS = 1_000_000_000
#: A descriptor that says "readable" for this long and gives no frame belongs to a dead peer.
EMPTY_NS = 500_000_000
#: Frames taken in at one go, so that a babbling bus cannot keep an interrupt waiting.
DRAIN = 256
#: With so many frames waiting for the session the rest stays with the adapter.
FULL = 4096
#: Looks past the deadline at a bus that is readable and has brought no whole frame yet.
LATE_LOOKS = 64
#: At most one report of like error frames in that time: a dead bus makes thousands a second.
ERROR_REPORTS_NS = 100_000_000
#: The longest single wait in `select`, seconds; a later deadline only means another round.
LONGEST_WAIT_S = 3600.0
RECEIVE_THREAD_WAIT_S = 0.05
#: How long `close` waits for the bus to end, and for a send to keep to its limit.
CLOSING_S = 1.0


@dataclass(slots=True)
class Counts:
    """What the link saw and did not hand on."""

    echoes: int = 0  # own frames that came back
    fd_frames: int = 0  # CAN FD frames: no drive of ours speaks it


class LiveLink:
    """
    `choreo.link.port.Link` over an open python-can bus.

    With `echoes` the bus returns each frame to its sender once it has left: the echo confirms it. Without, a frame
    counts as gone when `send` returns, which over a serial line only says that the adapter has it. `close` drops what
    still waits in the outbox: wait for `unsent() == 0` first.
    """

    def __init__(self, bus: "BusABC", *, echoes: bool = False, hang_ns: int = HANG_NS) -> None:
        self.counts = Counts()
        self._bus = bus
        self._echoes = echoes
        self._hang_ns = hang_ns
        self._origin_ns = time.perf_counter_ns()
        self._outbox = Outbox(self.now_ns)
        self._losing = threading.Lock()
        self._lost = False
        self._loss_told = False
        self._closed = False
        # Deques are filled without a lock, so that a signal handler may post at any moment.
        self._interrupts: deque[Interrupt] = deque()
        self._inbox: deque[Frame | Event] = deque()
        self._waker, self._wakened = socket.socketpair()
        self._waker.setblocking(False)
        self._wakened.setblocking(False)
        self._descriptor = descriptor_of(bus)
        self._backlog = False  # the bus may hold frames that its descriptor does not show
        self._empty_since_ns: int | None = None
        self._errors: dict[str, tuple[int, int]] = {}  # what error frames say -> last reported when, left out since
        self._threads = [threading.Thread(target=self._write, name="choreo link writer", daemon=True)]
        if self._descriptor is None:
            self._threads.append(threading.Thread(target=self._read, name="choreo link reader", daemon=True))
        for thread in self._threads:
            thread.start()

    # ---- what the session calls --------------------------------------------------------------------------------

    def now_ns(self) -> int:
        """Nanoseconds since the link was opened."""
        return time.perf_counter_ns() - self._origin_ns

    def submit(self, frame: Frame, *, confirm: bool = False) -> None:
        """See `Link.submit`. A frame that CAN cannot carry becomes a `BusTrouble` event and is dropped."""
        if can_carry(frame):
            self._outbox.put(frame, confirm)
        else:
            self._inbox.append(
                BusTrouble(f"cannot send {frame.text()}: no classical frame is like that", self.now_ns())
            )

    def withdraw(self, unwanted: Callable[[Frame], bool]) -> list[Frame]:
        """See `Link.withdraw`."""
        return self._outbox.withdraw(unwanted)

    def unsent(self) -> int:
        """See `Link.unsent`. What a lost adapter still held stays unsent for ever."""
        return self._outbox.unsent()

    def post(self, event: Event) -> None:
        """See `Link.post`. Takes no lock: a signal handler may have interrupted whoever holds one."""
        if isinstance(event, Interrupt):
            self._interrupts.append(event)
        else:
            self._inbox.append(event)
        self._wake()

    async def receive_until(self, deadline_ns: int) -> Frame | Event | None:
        """See `Link.receive_until`. Blocks the calling thread in `select` and never suspends into an event loop."""
        late_looks = 0
        while True:
            if self._closed:
                raise LinkLost("the link is closed", rule="link-closed")
            if self._interrupts:
                return self._interrupts.popleft()
            now = self.now_ns()
            nearest = self._watch_adapter(now)
            late = now >= deadline_ns
            at_once = late or bool(self._inbox)
            looked = len(self._inbox) < FULL and self._take_in(
                0.0 if at_once else (min(deadline_ns, nearest) - now) / 1e9
            )
            if self._interrupts:
                return self._interrupts.popleft()
            while self._inbox:
                got = self._inbox.popleft()
                if isinstance(got, AdapterLost):
                    self._give_up()
                    self._loss_told = True
                elif self._loss_told and isinstance(got, Frame):
                    continue
                return got
            if late:
                late_looks += 1
                if not looked or late_looks > LATE_LOOKS:
                    return None

    def close(self) -> None:
        """
        See `Link.close`. Readers end before the bus does.

        Waits for the frame that is being sent, and for the bus, whose `shutdown` may raise or hang, but not for ever.
        """
        if self._closed:
            return
        self._closed = True
        self._outbox.end()
        self._wake()
        for thread in reversed(self._threads):
            thread.join(self._hang_ns / 1e9 + CLOSING_S)
        ending = threading.Thread(target=shut_down, args=(self._bus,), name="choreo link closing", daemon=True)
        ending.start()
        ending.join(CLOSING_S)
        self._waker.close()
        self._wakened.close()

    # ---- sending -----------------------------------------------------------------------------------------------

    def _write(self) -> None:
        while (handed := self._outbox.take()) is not None:
            try:
                # A limit always: without one python-can's serial driver waits for ever, and with 0 it spins.
                self._bus.send(to_message(handed.frame), timeout=self._hang_ns / 1e9)
            except Exception as trouble:  # noqa: BLE001  drivers raise what they like; all of it means the same
                self._lose(f"sending {handed.frame.text()} failed: {words(trouble)}")
                return
            if not self._echoes:
                self._has_left(handed, self.now_ns())

    def _has_left(self, handed: Handed, t_ns: int) -> None:
        self._outbox.has_left(handed)
        if handed.confirm:
            self._inbox.append(Confirmed(handed.frame, t_ns))
            self._wake()

    # ---- receiving ---------------------------------------------------------------------------------------------

    def _read(self) -> None:
        """The receive thread of a bus without a file descriptor."""
        while not (self._closed or self._lost):
            try:
                message = self._bus.recv(RECEIVE_THREAD_WAIT_S)
            except Exception as trouble:  # noqa: BLE001
                self._lose(f"receiving failed: {words(trouble)}")
                return
            if message is not None:
                self._arrived(message, self.now_ns())
                self._wake()

    def _take_in(self, wait_s: float) -> bool:
        """Wait for the bus or a wake-up, and take in what is there. Whether the bus was looked at."""
        descriptor = self._descriptor
        sources: list[Any] = [self._wakened]
        if descriptor is not None:
            sources.append(descriptor)
        try:
            readable, _, _ = select.select(sources, [], [], 0.0 if self._backlog else min(wait_s, LONGEST_WAIT_S))
        except (OSError, ValueError) as trouble:
            self._lose(f"the adapter's descriptor is gone: {words(trouble)}")
            return False
        if self._wakened in readable:
            self._fall_asleep()
        if descriptor is not None and (descriptor in readable or self._backlog):
            self._drain()
            return True
        self._empty_since_ns = None
        return False

    def _drain(self) -> None:
        got = 0
        self._backlog = True
        try:
            while got < DRAIN and not self._interrupts:
                message = self._bus.recv(0)
                if message is None:
                    self._backlog = False
                    break
                got += 1
                self._arrived(message, self.now_ns())
        except Exception as trouble:  # noqa: BLE001
            self._lose(f"receiving failed: {words(trouble)}")
            return
        if got or self._backlog:
            self._empty_since_ns = None
        elif self._empty_since_ns is None:
            self._empty_since_ns = self.now_ns()
        elif self.now_ns() - self._empty_since_ns > EMPTY_NS:
            self._lose("its line reports data and gives none: the other end is dead")

    def _arrived(self, message: "Message", t_ns: int) -> None:
        if message.is_error_frame:
            self._error_frame(trouble_words(message.arbitration_id), t_ns)
            return
        if message.is_fd:
            self.counts.fd_frames += 1
            return
        frame = to_frame(message, t_ns)
        if not can_carry(frame):
            self._inbox.append(BusTrouble(f"the adapter reports an impossible frame, {frame.text()}", t_ns))
        elif not self._is_echo(frame, message.is_rx):
            self._inbox.append(frame)

    def _error_frame(self, what: str, t_ns: int) -> None:
        """Report an error frame, with the number of those like it that were left out since the last report."""
        reported_ns, left_out = self._errors.get(what, (None, 0))
        if reported_ns is not None and t_ns < reported_ns + ERROR_REPORTS_NS:
            self._errors[what] = reported_ns, left_out + 1
            return
        more = f" (and {left_out} more since the last report)" if left_out else ""
        self._inbox.append(BusTrouble(what + more, t_ns))
        self._errors[what] = t_ns, 0

    def _is_echo(self, frame: Frame, from_elsewhere: bool) -> bool:
        """
        Whether this is a frame of ours that came back: by content and order, since no driver's mark can be trusted.

        On a bus that was not asked for echoes the driver must also call the frame its own: there a reply that looks
        exactly like its request must get through.
        """
        if self._echoes:
            handed = self._outbox.in_adapter_like(frame)
            if handed is None:
                return False
            self.counts.echoes += 1
            self._has_left(handed, frame.t_ns)
            return True
        if from_elsewhere or not self._outbox.forget_gone_like(frame):
            return False
        self.counts.echoes += 1
        return True

    # ---- losing the adapter, waking the session ------------------------------------------------------------------

    def _watch_adapter(self, now: int) -> int:
        """When the oldest frame in the adapter has been there too long; loses the adapter if that time has come."""
        if self._lost or not self._outbox.unsent():
            return sys.maxsize
        oldest = self._outbox.oldest_in_adapter()
        if oldest is None:  # the writer is about to hand one over
            return now + self._hang_ns
        limit = oldest.since_ns + self._hang_ns
        if now >= limit:
            self._lose(f"{oldest.frame.text()} has been in the adapter for {(now - oldest.since_ns) / 1e9:.1f} s")
            return sys.maxsize
        return limit

    def _lose(self, reason: str) -> None:
        if self._give_up():
            self._inbox.append(AdapterLost(reason))
            self._wake()

    def _give_up(self) -> bool:
        """Neither send nor read any more; False if that was so already, or the link is closing."""
        with self._losing:
            if self._lost or self._closed:
                return False
            self._lost = True
        self._outbox.end()
        self._descriptor = None
        self._backlog = False
        return True

    def _wake(self) -> None:
        try:
            self._waker.send(b"!")
        except OSError:  # full: it will wake all the same; closed: nobody waits any more
            return

    def _fall_asleep(self) -> None:
        try:
            while len(self._wakened.recv(4096)) == 4096:
                pass
        except BlockingIOError:
            return


def can_carry(frame: Frame) -> bool:
    """Whether a classical CAN frame can be like this one (ISO 11898-1; facts.md A1)."""
    return len(frame.data) <= 8 and 0 <= frame.id <= (0x1FFFFFFF if frame.extended else 0x7FF)


def open_live(spec: str, bit_rate: int) -> LiveLink:
    """A link on the bus that `spec` names, `bit_rate` in bit/s. See `adapter.open_bus` for both and what is raised."""
    bus, echoes = open_bus(spec, bit_rate)
    return LiveLink(bus, echoes=echoes)
