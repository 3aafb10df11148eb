"""
The link over a real adapter, through python-can.

Sending belongs to a thread of its own, because an adapter's `send` may hang for seconds. Receiving happens in the
session's own thread, in `select`, where the bus has a file descriptor, and in one more thread where it has none (the
virtual bus). Whatever an adapter raises is the loss of the adapter; nothing reconnects within a run (practice.md P7).
"""

import select
import sys
import threading
import time
from collections import deque
from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

from choreo.errors import LinkLost
from choreo.frame import Frame
from choreo.link.adapter import CLOCKED, Opened, descriptor_of, open_bus, shut_down, to_message, words
from choreo.link.arrivals import Arrivals, can_carry
from choreo.link.clockmap import ClockMap
from choreo.link.hanging import HangWatch
from choreo.link.outbox import Outbox
from choreo.link.past import WayPast, way_past
from choreo.link.port import AdapterLost, BusTrouble, Event, Interrupt
from choreo.link.serial_port import HeldPort
from choreo.link.spec import bus_spec
from choreo.link.waker import Waker

if TYPE_CHECKING:
    from can import BusABC

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
#: The longest single wait in `select`, seconds; a later deadline only means another round.
LONGEST_WAIT_S = 3600.0
RECEIVE_THREAD_WAIT_S = 0.05
#: How long `close` waits for the bus to end, and for a send to keep to its limit.
CLOSING_S = 1.0
SEEING_OFF_S = 0.01


class LiveLink:
    """
    `choreo.link.port.Link` over an open python-can bus.

    With `echoes` the bus returns each frame to its sender once it has left: the echo confirms it. Without, a frame
    counts as gone when `send` returns, which over a serial line only says that the adapter has it.
    """

    def __init__(
        self,
        bus: "BusABC",
        *,
        echoes: bool = False,
        hang_ns: int = HANG_NS,
        interface: str = "",
        port: HeldPort | None = None,
    ) -> None:
        self._bus = bus
        self._interface = interface
        self._port = port or HeldPort()
        self._echoes = echoes
        self._hang_ns = hang_ns
        self._origin_ns = time.perf_counter_ns()
        self._outbox = Outbox(self.now_ns, stale_ns=hang_ns)
        self._hangs = HangWatch(self._outbox, hang_ns)
        self._losing = threading.Lock()
        self._lost = False
        self._loss_told = False
        self._closed = False
        # Deques are filled without a lock, so that a signal handler may post at any moment.
        self._interrupts: deque[Interrupt] = deque()
        self._inbox: deque[Frame | Event] = deque()
        self._waker = Waker()
        self._descriptor = descriptor_of(bus)
        self._backlog = False  # the bus may hold frames that its descriptor does not show
        self._empty_since_ns: int | None = None
        self._looked_ns = 0
        self._receiving = False
        clock = ClockMap() if interface in CLOCKED else None
        self._arrivals = Arrivals(self._outbox, self._inbox, echoes=echoes, clock=clock)
        self.counts = self._arrivals.counts
        self._threads = [threading.Thread(target=self._write, name="choreo link writer", daemon=True)]
        if self._descriptor is None:
            self._threads.append(threading.Thread(target=self._read, name="choreo link reader", daemon=True))
        for thread in self._threads:
            thread.start()

    @classmethod
    def on(cls, opened: Opened) -> "LiveLink":
        """A link on a bus that was just opened."""
        return cls(opened.bus, echoes=opened.echoes, interface=opened.interface, port=opened.port)

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
        self._waker.wake()

    async def receive_until(self, deadline_ns: int) -> Frame | Event | None:
        """See `Link.receive_until`. Blocks the calling thread in `select` and never suspends into an event loop."""
        self._receiving = True
        try:
            return self._receive_until(deadline_ns)
        finally:
            self._receiving = False

    def _receive_until(self, deadline_ns: int) -> Frame | Event | None:
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

    def way_past(self) -> WayPast | str:
        """
        The bus' descriptor and how a frame is written to it, for a process that shares it (`guardian.py`); or in words
        why nobody else can send through this adapter.
        """
        return way_past(self._interface, self._descriptor, sys.platform)

    def close(self) -> None:
        """
        See `Link.close`. What was submitted before still leaves, if the adapter takes it. Readers end before the bus.

        Waits for the frame that is being sent, and for the bus, whose `shutdown` may raise or hang, but not for ever.
        """
        if self._closed:
            return
        self._see_off()
        self._closed = True
        self._outbox.end()
        self._waker.wake()
        for thread in reversed(self._threads):
            thread.join(self._hang_ns / 1e9 + CLOSING_S)
        ending = threading.Thread(target=shut_down, args=(self._bus,), name="choreo link closing", daemon=True)
        ending.start()
        ending.join(CLOSING_S)
        self._port.release()
        self._waker.close()

    def _see_off(self) -> None:
        """Let leave what was submitted: the last of it may be a stop."""
        until_ns = self.now_ns() + round(CLOSING_S * 1e9)
        while self._outbox.unsent() and not self._lost and self.now_ns() < until_ns:
            if self._echoes and self._descriptor is not None and not self._receiving:
                self._take_in(SEEING_OFF_S)  # the echoes that make room for the next ones must be read by somebody
            else:
                self._outbox.wait_until_empty(SEEING_OFF_S)

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
                self._arrivals.left(handed, self.now_ns())
                if handed.confirm:
                    self._waker.wake()
        if self._outbox.stale:
            self._lose(f"frames waited for {self._outbox.stale / 1e9:.1f} s and are too old to be sent")

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
                self._arrivals.take(message, self.now_ns())
                self._waker.wake()

    def _take_in(self, wait_s: float) -> bool:
        """Wait for the bus or a wake-up, and take in what is there. Whether the bus was looked at."""
        descriptor = self._descriptor
        sources: list[Any] = [self._waker.ear]
        if descriptor is not None:
            sources.append(descriptor)
        try:
            readable, _, _ = select.select(sources, [], [], 0.0 if self._backlog else min(wait_s, LONGEST_WAIT_S))
        except (OSError, ValueError) as trouble:
            self._lose(f"the adapter's descriptor is gone: {words(trouble)}")
            return False
        if self._waker.ear in readable:
            self._waker.fall_asleep()
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
                self._arrivals.take(message, self.now_ns())
        except Exception as trouble:  # noqa: BLE001
            self._lose(f"receiving failed: {words(trouble)}")
            return
        if got or self._backlog:
            self._empty_since_ns = None
        else:
            self._gave_nothing(self.now_ns())

    def _gave_nothing(self, now: int) -> None:
        """The line says that there is something, and there is not: half a frame, or nobody at the other end."""
        if self._empty_since_ns is None or now - self._looked_ns > EMPTY_NS // 5:  # first, or nobody looked
            self._empty_since_ns = now
        elif now - self._empty_since_ns > EMPTY_NS:
            self._lose("its line reports data and gives none: the other end is dead")
        self._looked_ns = now

    # ---- losing the adapter, waking the session ------------------------------------------------------------------

    def _watch_adapter(self, now: int) -> int:
        """When the oldest frame in the adapter has been there too long; loses the adapter if that time has come."""
        if self._lost:
            return sys.maxsize
        again, reason = self._hangs.look(now)
        if reason:
            self._lose(reason)
        return again

    def _lose(self, reason: str) -> None:
        if self._give_up():
            self._inbox.append(AdapterLost(reason))
            self._waker.wake()

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


def open_live(spec: str, bit_rate: int, options: Mapping[str, str] = MappingProxyType({})) -> LiveLink:
    """
    A link on the bus that `spec` names: `interface:channel` in python-can's words (`socketcan:can0`,
    `slcan:/dev/ttyACM0@115200`, `virtual:bench`), or `section:NAME` of python-can's configuration files. `bit_rate` is
    in bit/s; `options` are the interface's own, by python-can's names, as words (see `choreo.link.spec.option_value`).

    Raises:
        RecipeError: the spec is none, or python-can or the adapter does not have what it asks for.
        LinkLost: the adapter cannot be opened.
    """
    return LiveLink.on(open_bus(bus_spec(spec, options), bit_rate))
