"""
Frames out and in: past the guard to the link, requests on their lanes, replies to who asked.

Whatever can do something to the machine stands in the journal as a `command`, with its outcome. A request that is not
answered is asked again only if its conversation says so, and only after a counted echo has proved that no late reply
is still to come. Three unanswered in a row make a node silent; nobody heard at all makes a lost bus.
"""

from collections import deque
from collections.abc import Callable, Sequence
from typing import Any

from choreo.drive.conversation import Ask, Tell
from choreo.errors import ChoreoError, LinkLost, MachineFault
from choreo.frame import Frame
from choreo.link.port import Confirmed, Link
from choreo.plan.conduct import WINDOW
from choreo.run.guard import Guard, GuardRefusal
from choreo.run.lanes import LOSSES_TO_SILENCE, Lane, Request
from choreo.run.log import MS, Log, NoReply, seconds
from choreo.wire.words import MOTION, FrameClass

#: How much of the bus' recent past is kept for the journal's `frames` record.
RECENT_FRAMES = 16_384
#: Later than any time of a link.
NEVER_NS = 1 << 62
RECENT_NS = 5_000 * MS


class Traffic:
    """See the module. `names` are the axes' names by index; `on_foreign` gets each frame that nobody here expects."""

    def __init__(self, link: Link, guard: Guard, log: Log, names: Sequence[str]) -> None:
        self.link = link
        self.guard = guard
        self.log = log
        self.handed_over: set[FrameClass] = set()
        self.on_foreign: Callable[[Frame], None] = lambda frame: None
        self._names = names
        self._lanes: dict[int, Lane] = {}
        self._listeners: dict[int, Callable[[Frame], None]] = {}
        self._waiting: deque[Request] = deque()  # over all lanes, in the order in which they were made
        self._out: dict[int, Request] = {}
        self._order = 0
        self._confirmations: dict[Frame, deque[Callable[[int], None]]] = {}
        self._recent: deque[tuple[int, str, Frame]] = deque(maxlen=RECENT_FRAMES)

    def add_lane(self, id: int, axis: int, timeout_ns: int, echo: Callable[[int], Ask]) -> None:
        """Replies on identifier `id` belong to the requests of this axis."""
        self._lanes[id] = Lane(id, axis, timeout_ns, echo)

    def listen(self, id: int, hear: Callable[[Frame], None]) -> None:
        """Frames on identifier `id` come unasked; `hear` gets each."""
        self._listeners[id] = hear

    def lane(self, axis: int) -> Lane:
        """The lane of an axis."""
        return next(lane for lane in self._lanes.values() if lane.axis == axis)

    def lanes(self) -> list[Lane]:
        """All lanes, in the order of the axes."""
        return sorted(self._lanes.values(), key=lambda lane: lane.axis)

    def nearest_deadline(self) -> int:
        """When the next unanswered request runs out of time; NEVER_NS when there is none."""
        deadline = NEVER_NS
        for request in self._out.values():
            if request.deadline_ns < deadline:
                deadline = request.deadline_ns
        return deadline

    # ---- sending -----------------------------------------------------------------------------------------------

    def send(self, frame: Frame, *, confirm: Callable[[int], None] | None = None) -> GuardRefusal | None:
        """
        Past the guard and to the link. `confirm(t_ns)` is called when the frame has left.

        A frame that the guard refuses is reported like any finding and does not leave; the refusal is returned. Nothing
        is raised here: this is called in the middle of polls and replies, which must go on for the stop that follows.
        """
        guard = self.guard
        if frame not in guard.harmless:
            try:
                self.handed_over.add(guard.check(frame))
            except GuardRefusal as refusal:
                self.log.report(refusal)
                return refusal
        if confirm is not None:
            self._confirmations.setdefault(frame, deque()).append(confirm)
        self._recent.append((self.link.now_ns(), "sent", frame))
        self.link.submit(frame, confirm=confirm is not None)
        return None

    def tell(self, tell: Tell, axis: int | None, confirm: Callable[[int], None] | None = None) -> None:
        """Send an unanswered frame at once, past every lane, and note it in the journal."""
        outcome = "refused by the guard" if self.send(tell.frame, confirm=confirm) else "sent"
        name = None if axis is None else self._names[axis]
        self.log.record("command", axis=name, verb=tell.what, frame=tell.frame.text(), outcome=outcome)

    def ask(
        self,
        ask: Ask,
        done: Callable[[Any, int, int, int], None],
        failed: Callable[[ChoreoError], None],
        owner: object = None,
    ) -> None:
        """Queue a request on the lane of its replies; it goes out when lane and window allow."""
        lane = self._lanes[ask.lane]
        self.queue(Request(lane, ask, ask.timeout_ns or lane.timeout_ns, done, failed, owner))

    def queue(self, request: Request) -> None:
        """Queue a request object (again); polls use one object for ever."""
        request.tries = 0
        lane = request.lane
        if not (self._waiting or lane.busy or lane.resting or lane.holder) and self._window_open():
            self._send_request(request)  # nothing is in its way, as for nearly every poll
            return
        self._waiting.append(request)
        self._pump()

    def _window_open(self) -> bool:
        return not self._out or self._order - next(iter(self._out)) < WINDOW

    def _pump(self) -> None:
        """Send what lanes and window allow, the longest waiting first."""
        while self._waiting and self._window_open():
            request = next(filter(_may_go, self._waiting), None)
            if request is None:
                return
            if request.lane.resting:
                self._send_barrier(request.lane)
            else:
                self._waiting.remove(request)
                self._send_request(request)

    def _send_request(self, request: Request) -> None:
        now = self.link.now_ns()
        request.tries += 1
        request.order = self._order
        request.asked_ns = now
        request.deadline_ns = now + request.timeout_ns
        self._out[self._order] = request
        self._order += 1
        request.lane.busy = request
        refusal = self.send(request.ask.frame)
        if refusal is not None:  # it never left: nothing to wait for, and no fault of the node's
            del self._out[request.order]
            request.lane.busy = None
            request.failed(refusal)

    def _send_barrier(self, lane: Lane) -> None:
        """A counted echo: when it has come back, no late reply is still to come."""
        lane.echo_count += 1

        def proved(value: Any, asked_ns: int, arrived_ns: int, tries: int) -> None:
            lane.resting = False

        barrier = Request(lane, lane.echo(lane.echo_count), lane.timeout_ns, proved, lambda error: None)
        self._send_request(barrier)

    def receive(self, frame: Frame) -> None:
        """Hand a frame to the request that it answers, to the drive's listener, or to whoever judges strangers."""
        self._recent.append((frame.t_ns, "heard", frame))
        lane = self._lanes.get(frame.id)
        if lane is None:
            listener = self._listeners.get(frame.id)
            if listener is not None:
                listener(frame)
            else:
                self.on_foreign(frame)
            return
        request = lane.busy
        if request is None:
            self._unasked(lane, frame)
            return
        try:
            value = request.ask.decode(frame)
        except ChoreoError as refusal:
            self._answered(lane, request, frame.t_ns)
            self._note(request, str(refusal))
            request.failed(refusal)
            self._pump()
            return
        if value is None:
            self._unasked(lane, frame)
            return
        self._answered(lane, request, frame.t_ns)
        if request.owner is not None:
            self._note(request, "done")
        request.done(value, request.asked_ns, frame.t_ns, request.tries)
        if self._waiting:
            self._pump()

    def _answered(self, lane: Lane, request: Request, arrived_ns: int) -> None:
        took = arrived_ns - request.asked_ns
        if took > lane.worst_ns:
            lane.worst_ns = took
        lane.busy = None
        lane.losses = 0
        lane.silent = False
        lane.heard_ns = arrived_ns
        if request.ask.keep:
            lane.holder, lane.abort = request.owner, request.ask.abort
        elif lane.holder is not None and lane.holder is request.owner:
            lane.holder = None
        del self._out[request.order]

    def _unasked(self, lane: Lane, frame: Frame) -> None:
        """A late, doubled or forged reply: counted and left (P12)."""
        lane.unasked += 1
        self.log.record("late", axis=self._names[lane.axis], frame=frame.text())

    def confirmed(self, event: Confirmed) -> None:
        """A frame has left."""
        waiting = self._confirmations.get(event.frame)
        if waiting:
            waiting.popleft()(event.t_ns)

    def expire(self, now: int) -> None:
        """Give up what has waited too long."""
        for request in [request for request in self._out.values() if request.deadline_ns <= now]:
            self._lost(request, now)

    def _lost(self, request: Request, now: int) -> None:
        lane = request.lane
        del self._out[request.order]
        lane.busy = None
        lane.resting = True
        if lane.losses == 0:
            lane.first_loss_ns = request.asked_ns
        lane.losses += 1
        self.log.record("lost", axis=self._names[lane.axis], what=request.ask.what, after_ns=request.timeout_ns)
        if lane.losses >= LOSSES_TO_SILENCE and not lane.silent:
            lane.silent = True
            self._fall_silent(lane, now)
        if request.tries <= request.ask.again and not lane.silent and not request.abandoned:
            self._waiting.appendleft(request)
        else:
            self._give_up(request)
        if lane.silent:
            hopeless = [other for other in self._waiting if other.lane is lane]
            self._waiting = deque(other for other in self._waiting if other.lane is not lane)
            for other in hopeless:
                self._give_up(other)
        self._pump()

    def _give_up(self, request: Request) -> None:
        self._note(request, "no reply")
        name = self._names[request.lane.axis]
        what = f"{name}: {request.ask.what} was not answered within {seconds(request.timeout_ns)}"
        request.failed(NoReply(what, rule="no-reply", axis=name))

    def _fall_silent(self, lane: Lane, now: int) -> None:
        """One node is a machine fault; when others have not been heard since either, power or bus are lost (P14)."""
        since = lane.first_loss_ns
        name = self._names[lane.axis]
        lost = [name] + [
            self._names[other.axis] for other in self.lanes() if other is not lane and _lost_too(other, since)
        ]
        if len(lost) > 1:
            who = "no node has" if len(lost) == len(self._lanes) else f"{', '.join(lost)} have not"
            self.log.report(
                LinkLost(
                    f"{who} answered for {seconds(now - since)}: power or bus lost",
                    rule="bus-lost",
                    help="Look at the bus cable, its two terminators and the drives' power before anything else.",
                )
            )
        else:
            self.log.report(
                MachineFault(
                    f"{name} has left {lane.losses} requests in a row unanswered, for {seconds(now - since)}",
                    rule="node-silent",
                    axis=name,
                    help="Look at this drive's power, its plug on the bus and its node number.",
                )
            )

    def _note(self, request: Request, outcome: str) -> None:
        """Whatever can do something to the machine stands in the journal, with its outcome."""
        if request.ask.frame in self.guard.harmless:
            return
        axis = self._names[request.lane.axis]
        self.log.record("command", axis=axis, verb=request.ask.what, frame=request.ask.frame.text(), outcome=outcome)

    def forget(self, owners: Sequence[object]) -> None:
        """Drop what these conversations still want. What is out may be answered, and is never asked again."""
        for request in self._out.values():
            request.abandoned = request.abandoned or request.owner in owners
        self._waiting = deque(request for request in self._waiting if request.owner not in owners)
        for lane in self._lanes.values():
            if lane.holder is not None and lane.holder in owners:
                self._break_off(lane)

    def withdraw_motion(self) -> list[Frame]:
        """For the stop: drop what conversations still want, break off transfers, take back what could move an axis."""
        self._waiting = deque(request for request in self._waiting if request.owner is None)
        for request in self._out.values():
            request.abandoned = request.owner is not None
        taken = self.link.withdraw(lambda frame: self.guard.classify(frame) in MOTION)
        for lane in self._lanes.values():
            self._break_off(lane)
        return taken

    def _break_off(self, lane: Lane) -> None:
        if lane.abort is not None:
            self.send(lane.abort)
        lane.holder = lane.abort = None

    def recent_frames(self) -> list[str]:
        """The last five seconds on the bus, as `milliseconds-before-now sent|heard frame`."""
        now = self.link.now_ns()
        return [
            f"-{(now - t_ns) / MS:.3f} {direction} {frame.text()}"
            for t_ns, direction, frame in self._recent
            if now - t_ns <= RECENT_NS
        ]


def _lost_too(lane: Lane, since: int) -> bool:
    return lane.losses > 0 and lane.heard_ns < since


def _may_go(request: Request) -> bool:
    lane = request.lane
    return lane.busy is None and (lane.holder is None or lane.holder is request.owner)
