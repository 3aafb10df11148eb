"""The way back from bus off: 128 occurrences of 11 consecutive recessive bits (facts.md A11; ISO 11898-1)."""

from typing import TYPE_CHECKING

from choreo_sim.kernel import Handle

if TYPE_CHECKING:
    from choreo_sim.bus import Bus
    from choreo_sim.controller import Controller

OCCURRENCES = 128
RECESSIVE_BITS = 11


class _Recovery:
    __slots__ = ("controller", "handle", "left", "since_ns")

    def __init__(self, controller: "Controller", since_ns: int) -> None:
        self.controller = controller
        self.left = OCCURRENCES
        self.since_ns = since_ns  # where the present run of recessive bits begins
        self.handle: Handle | None = None


class Recoveries:
    """
    Every controller of a bus that is on its way back.

    A recessive run ends where a frame starts and the next begins with the ACK delimiter, or with the error delimiter:
    both lie eleven bits before the moment at which another frame may start. Within a frame stuffing leaves no such run.
    """

    __slots__ = ("_bus", "_running")

    def __init__(self, bus: "Bus") -> None:
        self._bus = bus
        self._running: list[_Recovery] = []

    def start(self, controller: "Controller") -> None:
        """Begin to count for a controller that is bus off; a second request changes nothing."""
        if all(recovery.controller is not controller for recovery in self._running):
            recovery = _Recovery(controller, self._bus.kernel.now_ns)
            self._running.append(recovery)
            self._await(recovery)

    def drop(self, controller: "Controller") -> None:
        """Its power is gone: count no further."""
        for recovery in [recovery for recovery in self._running if recovery.controller is controller]:
            self._running.remove(recovery)
            if recovery.handle is not None:
                self._bus.kernel.cancel(recovery.handle)

    def frame_over(self, start_ns: int, free_ns: int) -> None:
        """A frame that began at `start_ns` ended a recessive run; the present one lets the next begin at `free_ns`."""
        for recovery in self._running:
            bits = self._bus.ns_to_bits(start_ns - recovery.since_ns)
            recovery.left -= max(0, bits // RECESSIVE_BITS)
            recovery.since_ns = max(recovery.since_ns, free_ns - self._bus.bits_to_ns(RECESSIVE_BITS))
            self._await(recovery)

    def _await(self, recovery: _Recovery) -> None:
        """Plan for the case that no frame comes in between."""
        if recovery.handle is not None:
            self._bus.kernel.cancel(recovery.handle)
        done_ns = recovery.since_ns + self._bus.bits_to_ns(recovery.left * RECESSIVE_BITS)
        recovery.handle = self._bus.kernel.at(max(done_ns, self._bus.kernel.now_ns), self._seen_enough, recovery)

    def _seen_enough(self, recovery: _Recovery) -> None:
        if not self._bus.on_wire:  # else the run ended early, and `frame_over` will plan anew
            self._running.remove(recovery)
            recovery.controller.recovered()
