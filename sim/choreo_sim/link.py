"""
The link onto a simulated bus: the host's adapter, the inbox in front of the session, and virtual time in between.

`receive_until` steps the kernel and never suspends, so the session is driven by hand, without an event loop. The
adapter is a first-in-first-out controller on the bus; a frame that is handed over may start after `hand_over_ns`.
"""

from collections import deque
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from choreo.errors import LinkLost
from choreo.frame import Frame
from choreo.link.port import (
    AdapterLost,
    BusTrouble,
    Confirmed,
    Event,
    Interrupt,
    Link,
    Script,
    SimulationRequest,
    Truth,
)
from choreo_sim.bus import Bus
from choreo_sim.kernel import Kernel

IN_ADAPTER = 2  # frames (the port's promise; practice.md P7)
HAND_OVER_NS = 20_000  # from the computer into a plug-in adapter's controller; an estimate of ours, no source
ERROR_REPORTS_NS = 100_000_000  # at most one report of error frames in that time: a dead bus makes thousands a second

#: Called with every simulated link that is opened, before anything is sent: the place for independent listeners.
observers: list[Callable[["SimulatedLink"], None]] = []


class SimulatedLink:
    """
    Keeps what `choreo.link.port.Link` promises on a simulated bus.

    `kernel`, `bus`, `machine` and `host` (the adapter's controller) are there for tests and faults. `adapter_delay_ns`
    may be set to a function of (frame, now) that says how much longer a frame is stuck in the adapter; those behind it
    wait with it (practice.md P7).
    """

    def __init__(
        self, kernel: Kernel, bus: Bus, machine: Any = None, *, hand_over_ns: int = HAND_OVER_NS, name: str = "host"
    ) -> None:
        self.kernel = kernel
        self.bus = bus
        self.machine = machine
        self.host = bus.attach(name, self._hear, fifo=True)
        self.host.on_sent = self._left
        self.host.on_error = self._error_frame
        self.host.on_state = self._trouble
        self.hand_over_ns = hand_over_ns
        self.adapter_delay_ns: Callable[[Frame, int], int] | None = None
        self._inbox: deque[Frame | Event] = deque()
        self._urgent: deque[Interrupt] = deque()
        self._outbox: deque[tuple[Frame, bool]] = deque()
        self._adapter: deque[tuple[Frame, bool]] = deque()
        self._closed = False
        self._connected = True
        self._loss_is_known = False  # the session has been told: no frame may follow
        self._errors = 0  # error frames since the last report
        self._reported_ns: int | None = None

    def now_ns(self) -> int:
        """Virtual time."""
        return self.kernel.now_ns

    def submit(self, frame: Frame, *, confirm: bool = False) -> None:
        """See the port. A frame that CAN cannot carry becomes a `BusTrouble` event and is dropped."""
        self._outbox.append((frame, confirm))
        if len(self._adapter) < IN_ADAPTER:
            self._hand_over()

    def withdraw(self, unwanted: Callable[[Frame], bool]) -> list[Frame]:
        """See the port."""
        taken = [(unwanted(submitted[0]), submitted) for submitted in self._outbox]
        self._outbox = deque(submitted for out, submitted in taken if not out)
        return [frame for out, (frame, _) in taken if out]

    def unsent(self) -> int:
        """See the port."""
        return len(self._outbox) + len(self._adapter)

    def post(self, event: Event) -> None:
        """See the port."""
        if isinstance(event, Interrupt):
            self._urgent.append(event)
        else:
            self._inbox.append(event)

    async def receive_until(self, deadline_ns: int) -> Frame | Event | None:
        """See the port. Never suspends. Raises LinkLost after `close`."""
        urgent = self._urgent
        inbox = self._inbox
        if self._closed:
            raise LinkLost("the link is closed", rule="link-closed")
        while True:
            if not (urgent or inbox):
                self.kernel.run_until(deadline_ns, inbox, urgent)
            if urgent:
                return urgent.popleft()
            if not inbox:
                return None
            item = inbox.popleft()
            if item.__class__ is not Frame:
                if isinstance(item, AdapterLost):
                    self._loss_is_known = True
                    self._disconnect()
                return item
            if not self._loss_is_known:
                return item

    def truth(self, after_ns: int = 0) -> Truth:
        """See the port."""
        if after_ns:
            self.kernel.run_until(self.kernel.now_ns + after_ns)
        found: Truth = self.machine.truth_now()
        return found

    def script(self) -> Script | None:
        """See the port."""
        found: Script | None = None if self.machine is None else self.machine.script()
        return found

    def step_begins(self, path: str, label: str, verb: str) -> None:
        """See the port: faults that are pinned to this step may act from now on."""
        if self.machine is not None:
            self.machine.step_begins(path, label, verb)

    def close(self) -> None:
        """See the port."""
        self._closed = True
        self._disconnect()
        self.host.switch_off()

    def lose_adapter(self, reason: str, *, its_frames_leave: bool = False) -> None:
        """
        A fault: the adapter is gone from this moment on.

        What it still holds is lost with it, or goes out all the same when `its_frames_leave`: an adapter that lost its
        computer and not its power. Neither is ever confirmed.
        """
        if self._connected:
            self._disconnect()
            if not its_frames_leave:
                self.host.switch_off()
            self._inbox.append(AdapterLost(reason))

    def _disconnect(self) -> None:
        """No frame comes or goes any more; what was heard before the loss stays in the inbox, in front of it."""
        if self._connected:
            self._connected = False
            self.host.on_frame = _nobody
            self.host.on_sent = self.host.on_error = self.host.on_state = None
            self.bus.attendance_changed(self.host)

    def _hand_over(self) -> None:
        """Give the adapter what it has room for."""
        outbox = self._outbox
        adapter = self._adapter
        while outbox and len(adapter) < IN_ADAPTER and self._connected:
            submitted = outbox.popleft()
            frame = submitted[0]
            now_ns = self.kernel.now_ns
            ready_ns = now_ns + self.hand_over_ns
            if self.adapter_delay_ns is not None:
                ready_ns += self.adapter_delay_ns(frame, now_ns)
            try:
                self.host.send(frame, ready_ns)
            except ValueError as reason:
                self._inbox.append(BusTrouble(f"cannot send {frame.text()}: {reason}", now_ns))
            else:
                adapter.append(submitted)

    def _left(self, frame: Frame, t_ns: int) -> None:
        """The adapter's oldest frame is out."""
        _, confirm = self._adapter.popleft()
        if confirm:
            self._inbox.append(Confirmed(frame, t_ns))
        if self._outbox:
            self._hand_over()

    def _hear(self, frame: Frame, t_ns: int) -> None:
        # Built without the named tuple's own constructor, which takes twice as long; every frame comes through here.
        self._inbox.append(tuple.__new__(Frame, (frame[0], frame[1], frame[2], frame[3], t_ns)))

    def _trouble(self, what: str, t_ns: int) -> None:
        self._inbox.append(BusTrouble(what, t_ns))

    def _error_frame(self, what: str, t_ns: int) -> None:
        """Report an error frame, together with those that were left out since the last report."""
        self._errors += 1
        if self._reported_ns is None or t_ns >= self._reported_ns + ERROR_REPORTS_NS:
            more = f" (and {self._errors - 1} more since the last report)" if self._errors > 1 else ""
            self._inbox.append(BusTrouble(what + more, t_ns))
            self._errors = 0
            self._reported_ns = t_ns


def _nobody(frame: Frame, t_ns: int) -> None:
    """Nobody listens any more."""


if TYPE_CHECKING:
    _keeps_the_port: type[Link] = SimulatedLink


def open_simulated(request: SimulationRequest) -> SimulatedLink:
    """
    Build a simulated machine and the link onto its bus; the same request gives the same machine, bit for bit.

    The machine is given the link, for faults of the adapter. The option `hand_over_ns` replaces the adapter's hand-over
    time.
    """
    from choreo_sim.machine import build

    kernel = Kernel()
    bus = Bus(kernel, request.bit_rate)
    machine = build(kernel, bus, request)
    hand_over_ns = int(request.options.get("hand_over_ns", HAND_OVER_NS))
    link = SimulatedLink(kernel, bus, machine, hand_over_ns=hand_over_ns)
    machine.on_link(link)
    for observe in observers:
        observe(link)
    return link
