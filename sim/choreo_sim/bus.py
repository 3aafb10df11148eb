"""
The wire: who may send, how long that takes, and who hears it.

A frame takes its exact bits at the bit rate. Receivers have it at its end of frame, *before* the three bits of
intermission; the next frame may start *after* them. Whoever has a frame ready at the start of frame arbitrates, also
one that became ready at that very instant. In the usual case a frame costs a single event in the kernel: its end is
planned when it is clear who sends next, and planned anew when a better frame turns up before the start.
"""

from collections.abc import Callable
from heapq import heappop

from choreo.frame import Frame
from choreo_sim.bus_errors import CUT_SEEN, ERROR_DELIMITER, FLAG, Sending, count_bad, count_good, examine
from choreo_sim.bus_faults import BusFaults, Duplicate, Lose
from choreo_sim.controller import Controller, Entry, ErrorState, Hearer
from choreo_sim.framebits import INTERMISSION, TAIL
from choreo_sim.kernel import Handle, Kernel
from choreo_sim.recovery import Recoveries

__all__ = ["Bus", "Controller", "ErrorState"]

SECOND = 1_000_000_000
SUSPEND = 8  # bits that an error-passive sender waits after the intermission (facts.md A9)
LONGEST = 256  # more bits than any frame with its error frame takes
ROUTES_REMEMBERED = 4096  # identifiers per sender whose hearers are kept
NEVER = 1 << 80

Tap = Callable[[Frame, int, str], object]
ErrorTap = Callable[[str, int, str], object]


class Bus:
    """
    One CAN bus in virtual time.

    `taps` see every frame that got through, with its end of frame and its sender's name, before any device does; one
    that its receivers get twice is seen twice. `error_taps` see (what, time, sender) of each that was destroyed.
    """

    def __init__(self, kernel: Kernel, bit_rate: int) -> None:
        if bit_rate <= 0:
            raise ValueError(f"a bit rate of {bit_rate} bit/s; it must be above zero")
        self.kernel = kernel
        self.bit_rate = bit_rate
        self.taps: list[Tap] = []
        self.error_taps: list[ErrorTap] = []
        self.controllers: list[Controller] = []
        self.faults = BusFaults(self)
        self.recoveries = Recoveries(self)
        self.calm = True  # every error counter is at zero: nothing to keep account of
        self.online = 0
        self._ns = [self.bits_to_ns(bits) for bits in range(LONGEST)]
        self._waiting: list[Controller] = []  # online, with something to send
        self._free_ns = kernel.now_ns  # the next start of frame is not before this
        # The transmission that is planned or on the wire:
        self._end: Handle | None = None
        self._start_ns = kernel.now_ns
        self._sender: Controller
        self._entry: Entry
        self._sending: Sending | None = None  # where it is not the usual case

    def bits_to_ns(self, bits: int) -> int:
        """How long so many bit times are, rounded down to a nanosecond."""
        return bits * SECOND // self.bit_rate

    def ns_to_bits(self, ns: int) -> int:
        """How many whole bit times a time is that `bits_to_ns` may have rounded down."""
        return (ns * self.bit_rate + self.bit_rate - 1) // SECOND

    @property
    def on_wire(self) -> bool:
        """Whether a frame is on the wire at this moment."""
        return self._end is not None and self.kernel.now_ns > self._start_ns

    def settled_until(self, sole: Controller) -> int:
        """
        The end of the frame on the wire if it is one of `sole`'s, that nothing unusual happens to; 0 otherwise. Whoever
        comes meanwhile must wait for that end anyway.
        """
        if self._end is None or self._sending is not None or self._sender is not sole:
            return 0
        end_ns: int = self._end[0]
        return end_ns if self._start_ns <= self.kernel.now_ns else 0

    def attach(
        self,
        name: str,
        on_frame: Hearer,
        *,
        accepts: Callable[[int, bool], bool] | None = None,
        fifo: bool = False,
    ) -> Controller:
        """
        Put a device on the bus.

        `on_frame(frame, t_ns)` is called at the end of every frame of another device, with the kernel's clock there;
        sending from inside is fine. `accepts(identifier, extended)` is the acceptance filter of the hardware; its
        answers are kept, so it must always give the same. `fifo`: see `Controller`.
        """
        controller = Controller(self, name, on_frame, accepts, fifo)
        self.controllers.append(controller)
        self.attendance_changed(controller)
        return controller

    # What controllers tell the bus.

    def offer(self, controller: Controller, entry: Entry) -> None:
        """A frame was put into a queue: it may be the next to go."""
        queue = controller.queue
        if len(queue) == 1:
            if controller.state is ErrorState.BUS_OFF:
                return
            if controller not in self._waiting:
                self._waiting.append(controller)
        if self._end is None:
            if self._waiting:
                self._arbitrate()
        elif self.kernel.now_ns <= self._start_ns and entry[3] <= self._start_ns and queue[0] is entry:
            self._replan()

    def withdrawn(self, controller: Controller) -> None:
        """Frames that were not on the wire were taken out of a queue."""
        if not controller.queue and controller in self._waiting:
            self._waiting.remove(controller)
        if not self.on_wire:
            self._replan()

    def entry_on_wire(self, controller: Controller) -> Entry | None:
        """The entry of this controller's that is on the wire now and cannot be taken back."""
        if not self.on_wire:
            return None
        if self._sending is None:
            return self._entry if self._sender is controller else None
        return next((entry for sender, entry in self._sending.senders if sender is controller), None)

    def power(self, controller: Controller, on: bool) -> None:
        """A device is switched on or off; a frame of its own on the wire is cut short."""
        controller.powered = on
        self.recoveries.drop(controller)
        self.attendance_changed(controller)
        if not on and self.entry_on_wire(controller) is not None:
            self._cut()

    def attendance_changed(self, controller: Controller) -> None:
        """Someone takes part in the bus who did not, or no longer does."""
        self.online = sum(each.online for each in self.controllers)
        for each in self.controllers:
            each.routes.clear()
        if controller in self._waiting:
            self._waiting.remove(controller)
        if controller.online and controller.queue:
            self._waiting.append(controller)
        if not self.on_wire:
            self._replan()

    # Sending.

    def _replan(self) -> None:
        if self._end is not None:
            self.kernel.cancel(self._end)
            self._end = None
        if self._waiting:
            self._arbitrate()

    def _arbitrate(self) -> None:
        """Decide who of those waiting sends next and when, and plan the end of it."""
        start_ns = self.kernel.now_ns
        if start_ns < self._free_ns:
            start_ns = self._free_ns
        contenders = self._waiting
        if len(contenders) > 1:
            start_ns, contenders = self._contend(start_ns)
            sender = contenders[0]
            entry = sender.queue[0]
        else:
            sender = contenders[0]
            entry = sender.queue[0]
            if start_ns < entry[3] or start_ns < sender.held_ns:
                start_ns = max(entry[3], sender.held_ns)
        self._start_ns = start_ns
        self._sender = sender
        self._entry = entry
        if len(contenders) == 1 and self.online > 1:
            faults = self.faults
            if not faults.rules or faults.judge(entry[2], sender.name, start_ns) is None:
                self._sending = None
                self._end = self.kernel.at(start_ns + self._ns[entry[5] - INTERMISSION], self._deliver)
                return
        self._sending = sending = examine(self, start_ns, contenders)
        if sending.error_bit is None:
            end_ns = start_ns + self._ns[sending.bits - INTERMISSION]
            self._end = self.kernel.at(end_ns, self._deliver_unusual, sending)
        else:
            self._end = self.kernel.at(start_ns + self._ns[sending.error_bit], self._destroy, sending)

    def _contend(self, floor_ns: int) -> tuple[int, list[Controller]]:
        """The start of frame, and who has the lowest arbitration field of those that are ready then."""
        best_ns = best_key = NEVER
        winners: list[Controller] = []
        for each in self._waiting:
            _, _, _, ready_ns, key, _ = each.queue[0]
            if ready_ns < each.held_ns:
                ready_ns = each.held_ns
            if ready_ns < floor_ns:
                ready_ns = floor_ns
            if ready_ns < best_ns or (ready_ns == best_ns and key < best_key):
                best_ns, best_key = ready_ns, key
                winners = [each]
            elif ready_ns == best_ns and key == best_key:
                winners.append(each)
        return best_ns, winners

    def _deliver(self, _: None) -> None:
        """End of frame, in the usual case: one sender, and nothing happens to the frame."""
        now_ns = self.kernel.now_ns
        sender = self._sender
        entry = self._entry
        frame = entry[2]
        self._free_ns = self._start_ns + self._ns[entry[5]]
        queue = sender.queue
        if len(queue) == 1 and queue[0] is entry and sender in self._waiting:  # as in `_retire`, without the call
            queue.clear()
            self._waiting.remove(sender)
        else:
            self._retire(sender, entry)
        for tap in self.taps:
            tap(frame, now_ns, sender.name)
        if sender.on_sent is not None:
            sender.on_sent(frame, now_ns)
        hearers = sender.routes.get(entry[4])
        if hearers is None:
            hearers = self._route(sender, entry)
        for hear in hearers:
            hear(frame, now_ns)
        if not self.calm or self.faults.rules:
            self._over(Sending(sender.name, frame, entry[5], ((sender, entry),)), good=True)
        self._end = None
        if self._waiting:
            self._arbitrate()

    def _retire(self, sender: Controller, entry: Entry) -> None:
        """A frame has left well: take it out of its queue."""
        queue = sender.queue
        if queue and queue[0] is entry:
            heappop(queue)
        else:
            sender.forget(entry)
        if not queue and sender in self._waiting:
            self._waiting.remove(sender)

    def _route(self, sender: Controller, entry: Entry) -> tuple[Hearer, ...]:
        """Who hears this identifier from this sender: everyone online whose acceptance filter lets it pass."""
        if len(sender.routes) >= ROUTES_REMEMBERED:
            sender.routes.clear()
        hearers = tuple(each.on_frame for each in self._receivers(entry[2]) if each is not sender)
        sender.routes[entry[4]] = hearers
        return hearers

    def _receivers(self, frame: Frame) -> list[Controller]:
        return [
            each
            for each in self.controllers
            if each.online and (each.accepts is None or each.accepts(frame.id, frame.extended))
        ]

    def _deliver_unusual(self, sending: Sending) -> None:
        """End of frame where several sent the same bits, or where a fault acts on a frame that gets through."""
        now_ns = self.kernel.now_ns
        frame = sending.frame
        self._free_ns = self._start_ns + self._ns[sending.bits]
        again = isinstance(sending.action, Duplicate)
        lost = sending.action if isinstance(sending.action, Lose) else None
        hearers = [
            each
            for each in self._receivers(frame)
            if not sending.includes(each)
            and each not in sending.beaten
            and not (lost is not None and (lost.to is None or each.name in lost.to))
        ]
        for sender, entry in sending.senders if not again else ():
            self._retire(sender, entry)
        for tap in self.taps:
            tap(frame, now_ns, sending.name)
        for sender, _ in sending.senders if not again else ():
            if sender.on_sent is not None:
                sender.on_sent(frame, now_ns)
        for each in hearers:
            each.on_frame(frame, now_ns)
        if again:
            self._destroy(sending._replace(flag_bits=FLAG, what="the last bit of end of frame is wrong"))
            return
        self._over(sending, good=True)
        self._end = None
        if self._waiting:
            self._arbitrate()

    def _destroy(self, sending: Sending) -> None:
        """An error is found: flags, delimiter, intermission; then whoever sent tries again."""
        now_ns = self.kernel.now_ns
        self._free_ns = now_ns + self._ns[sending.flag_bits + ERROR_DELIMITER + INTERMISSION]
        self._over(sending, good=False)
        what = f"error frame: {sending.what} in {sending.frame.text()} from {sending.name}"
        for tap in self.error_taps:
            tap(what, now_ns, sending.name)
        for each in self.controllers:
            if each.online and each.on_error is not None:
                each.on_error(what, now_ns)
        self._end = None
        if self._waiting:
            self._arbitrate()

    def _over(self, sending: Sending, *, good: bool) -> None:
        """Keep account of an attempt that is over: counters, suspended senders, recessive bits, fault rules."""
        if good:
            self.calm = count_good(self.controllers, sending)
        else:
            count_bad(self.controllers, sending)
            self.calm = False
        for each in (*(sender for sender, _ in sending.senders), *sending.beaten):
            if each.state is ErrorState.PASSIVE:
                each.held_ns = self._free_ns + self._ns[SUSPEND]
        self.recoveries.frame_over(self._start_ns, self._free_ns)
        self.faults.count(sending.frame, sending.name, self._start_ns)

    def _cut(self) -> None:
        """The only sender of the frame on the wire has lost its power."""
        entry = self._entry
        shared = self._sending is not None and len(self._sending.senders) > 1
        if shared or self._end is None or self.kernel.now_ns >= self._start_ns + self._ns[entry[5] - TAIL + 2]:
            return  # another sends the same bits, or it is acknowledged: what is still to come is recessive anyway
        self.kernel.cancel(self._end)
        what = f"{self._sender.name} fell silent"
        sending = Sending(self._sender.name, entry[2], entry[5], (), error_bit=0, what=what)
        self._end = self.kernel.after(self._ns[CUT_SEEN], self._destroy, sending)
