"""
A CAN controller: a device's transmit queue, its error counters and its state on the bus (ISO 11898-1).

The controller knows its own device only; who may send when is the bus' affair.
"""

from collections.abc import Callable
from enum import Enum
from heapq import heapify, heappop, heappush
from typing import TYPE_CHECKING

from choreo.frame import Frame
from choreo_sim.framebits import exact_bits
from choreo_sim.kernel import Handle

if TYPE_CHECKING:
    from choreo_sim.bus import Bus

Hearer = Callable[[Frame, int], object]

#: A frame in a transmit queue: order, sequence, frame, not before (ns), arbitration key, bits on the wire. The queue is
#: a heap; the sequence is the device's own and never repeats, so frames themselves are never compared.
Entry = tuple[int, int, Frame, int, int, int]

WARNING, PASSIVE, OFF = 96, 128, 256  # facts.md A10
SENDER_ERROR, RECEIVER_ERROR = 8, 1  # what one error adds, facts.md A10
RECEIVER_BACK_FROM_PASSIVE = 127  # a good frame sets a receive counter above 127 to 119 .. 127: the slowest way out


class ErrorState(Enum):
    """How far a controller trusts itself (fault confinement, facts.md A10)."""

    ACTIVE = "error active"
    PASSIVE = "error passive"
    BUS_OFF = "bus off"


def arbitration_key(frame: Frame) -> int:
    """
    The bits that arbitrate, as one number: the lowest wins (facts.md A8).

    Identifier, RTR or SRR, IDE, and for an extended frame the other 18 bits and RTR: so a data frame beats a remote
    one, and a base frame an extended one with the same leading eleven bits.
    """
    if frame.extended:
        return (frame.id >> 18) << 21 | 0b11 << 19 | (frame.id & 0x3FFFF) << 1 | frame.remote
    return frame.id << 21 | frame.remote << 20


class Controller:
    """
    One device's place on the bus; made by `Bus.attach`.

    Among a device's own frames the lowest identifier goes first and equal ones keep their order, as in controllers that
    let their mailboxes arbitrate among themselves; with `fifo` the frames leave strictly in the order of `send`.

    Hooks, all optional: `on_sent(frame, t_ns)` at the end of an own frame that left well; `on_error(what, t_ns)` for
    every error frame on the bus and `on_state(what, t_ns)` for changes of the own error state, in words.
    """

    __slots__ = (
        "_bus",
        "_later",
        "_sequence",
        "accepts",
        "fifo",
        "held_ns",
        "name",
        "on_error",
        "on_frame",
        "on_sent",
        "on_state",
        "powered",
        "queue",
        "rec",
        "routes",
        "state",
        "tec",
    )

    def __init__(
        self, bus: "Bus", name: str, on_frame: Hearer, accepts: Callable[[int, bool], bool] | None, fifo: bool
    ) -> None:
        self._bus = bus
        self._later: list[Handle] = []  # frames of a queue by identifier that are not ready, but for one that is alone
        self._sequence = 0
        self.name = name
        self.on_frame = on_frame
        self.accepts = accepts
        self.fifo = fifo
        self.powered = True
        self.state = ErrorState.ACTIVE
        self.tec = self.rec = 0
        self.on_sent: Callable[[Frame, int], object] | None = None
        self.on_error: Callable[[str, int], object] | None = None
        self.on_state: Callable[[str, int], object] | None = None
        # What follows is the bus' own.
        self.queue: list[Entry] = []
        self.held_ns = 0  # an error-passive sender waits until then (suspend transmission)
        self.routes: dict[int, tuple[Hearer, ...]] = {}  # arbitration key -> who hears it when this device sends

    def __repr__(self) -> str:
        return f"<Controller {self.name}: {self.state.value}, TEC {self.tec}, REC {self.rec}, {self.pending} pending>"

    @property
    def online(self) -> bool:
        """Whether it takes part in the bus: hears, acknowledges and may send."""
        return self.powered and self.state is not ErrorState.BUS_OFF

    @property
    def warning(self) -> bool:
        """Whether a counter has reached the error-warning limit."""
        return self.tec >= WARNING or self.rec >= WARNING

    @property
    def pending(self) -> int:
        """How many frames wait, the one on the wire included."""
        return len(self.queue) + len(self._later)

    def send(self, frame: Frame, not_before_ns: int = 0) -> None:
        """
        Put a frame into the transmit queue; it does not start before `not_before_ns`.

        With `fifo` a frame that must wait holds up those behind it. A device without power sends nothing; one that is
        bus off keeps the frame until it has recovered. Raises ValueError for a frame that classical CAN cannot have.
        """
        bits = exact_bits(frame)
        if not self.powered:
            return
        bus = self._bus
        now_ns = bus.kernel.now_ns
        if bus.faults.delays:
            not_before_ns = max(not_before_ns, now_ns + bus.faults.hold_ns(frame, self.name, now_ns))
        key = arbitration_key(frame) if frame.extended or frame.remote else frame.id << 21
        self._sequence = sequence = self._sequence + 1
        entry = (0 if self.fifo else key, sequence, frame, not_before_ns, key, bits)
        queue = self.queue
        if not queue or self.fifo:
            heappush(queue, entry)
            bus.offer(self, entry)
        elif not_before_ns > now_ns:
            self._hold(entry)
        else:
            self._join(entry, now_ns)

    def _hold(self, entry: Entry) -> None:
        """Keep a frame out of the queue, in which it would hold up others, until it is ready."""
        self._later.append(self._bus.kernel.at(entry[3], self._release, entry))

    def _release(self, entry: Entry) -> None:
        self._later = [handle for handle in self._later if handle[4] is not entry]
        self._join(entry, entry[3])

    def _join(self, entry: Entry, now_ns: int) -> None:
        """Put a frame that is ready into a queue by identifier, in front of one that waited there alone and is not."""
        if self.queue and self.queue[0][3] > now_ns:
            self._hold(heappop(self.queue))
        heappush(self.queue, entry)
        self._bus.offer(self, entry)

    def clear(self) -> list[Frame]:
        """Drop every frame that is not on the wire, and return them in the order in which they would have left."""
        dropped: list[Entry] = [handle[4] for handle in self._later]
        for handle in self._later:
            self._bus.kernel.cancel(handle)
        self._later = []
        on_wire = self._bus.entry_on_wire(self)
        dropped += [entry for entry in self.queue if entry is not on_wire]
        self.queue = [entry for entry in self.queue if entry is on_wire]
        self._bus.withdrawn(self)
        return [entry[2] for entry in sorted(dropped, key=lambda entry: entry[:2])]

    def forget(self, entry: Entry) -> None:
        """An own frame has left: take it out of the queue, where it need not be the first any more, or be at all."""
        queue = self.queue
        if queue and queue[0] is entry:
            heappop(queue)
        elif entry in queue:
            queue.remove(entry)
            heapify(queue)

    def switch_off(self) -> None:
        """Take the power away: what waits is lost, and a frame on the wire is cut short."""
        if self.powered:
            self._bus.power(self, False)
            self.clear()
            self.queue = []

    def switch_on(self) -> None:
        """Give the power back: counters at zero, error active, nothing to send."""
        if not self.powered:
            self.tec = self.rec = self.held_ns = 0
            self.state = ErrorState.ACTIVE
            self._bus.power(self, True)

    def recover(self) -> None:
        """Ask for the way back from bus off: 128 times 11 recessive bits, then error active (facts.md A11)."""
        if self.powered and self.state is ErrorState.BUS_OFF:
            self._bus.recoveries.start(self)

    def recovered(self) -> None:
        """The recessive bits have been seen: both counters at zero, error active; what waited may go."""
        self.tec = self.rec = 0
        self.restate()

    def error_as_sender(self) -> None:
        """One failed transmission."""
        self.tec += SENDER_ERROR
        self.restate()

    def error_as_receiver(self) -> None:
        """One frame received wrongly."""
        self.rec += RECEIVER_ERROR
        self.restate()

    def good_as_sender(self) -> None:
        """One frame sent well."""
        if self.tec:
            self.tec -= 1
            self.restate()

    def good_as_receiver(self) -> None:
        """One frame received well."""
        if self.rec:
            self.rec = self.rec - 1 if self.rec < PASSIVE else RECEIVER_BACK_FROM_PASSIVE
            self.restate()

    def restate(self) -> None:
        """Draw the error state from the counters and tell whom it concerns of a change."""
        if self.tec >= OFF:
            state = ErrorState.BUS_OFF
        elif max(self.tec, self.rec) >= PASSIVE:
            state = ErrorState.PASSIVE
        else:
            state = ErrorState.ACTIVE
        if state is self.state:
            return
        was_online = self.online
        self.state = state
        if was_online is not self.online:
            self._bus.attendance_changed(self)
        if self.on_state is not None:
            self.on_state(f"{self.name} is {state.value} (TEC {self.tec}, REC {self.rec})", self._bus.kernel.now_ns)
