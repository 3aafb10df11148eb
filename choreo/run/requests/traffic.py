"""
Requests on their lanes, replies to who asked.

A request that is not answered is asked again only if its conversation says so, and only after a counted echo has proved
that no late reply is still to come. Three unanswered in a row make a node silent; nobody heard at all makes a lost bus.
Nodes that must be spoken to slowly get their requests in turn (`pacing.py`).
"""

from collections import deque
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any

from choreo.drive.conversation import Ask, Tell
from choreo.errors import ChoreoError
from choreo.frame import Frame
from choreo.link.port import Confirmed, Link
from choreo.plan.conduct import WINDOW
from choreo.run.guard import Guard
from choreo.run.log import Log, NoReply, seconds
from choreo.run.requests.directory import EXTENDED, Directory
from choreo.run.requests.lanes import LOSSES_TO_SILENCE, MOST_POSTPONED, Lane, Request
from choreo.run.requests.leaving import Leaving
from choreo.run.requests.pacing import Turn
from choreo.run.requests.silence import report_silence
from choreo.wire.words import MOTION

#: Later than any time of a link.
NEVER_NS = 1 << 62

Job = Callable[[int], int | None]


class Traffic(Directory):
    """
    See the module. `names` are the axes' names by index, `at` calls something when its time has come; `on_foreign` gets
    each frame that nobody here expects, `on_unasked` each reply that answers nothing, with its axis.
    """

    def __init__(
        self, link: Link, guard: Guard, log: Log, names: Sequence[str], at: Callable[[int, Job], None]
    ) -> None:
        super().__init__(link, guard, log, names)
        self.on_foreign: Callable[[Frame], None] = lambda frame: None
        self.on_unasked: Callable[[int, Frame], None] = lambda axis, frame: None
        self.took: list[int] | None = None  # how long each reply took, for whoever wants it and empties the list
        self._at = at
        self._held: dict[int, Lane] = {}  # lanes held over a transfer of several frames, by identifier
        self._hush = False  # a broadcast waits until every paced node may be spoken to
        self._woken_ns = NEVER_NS  # when the next look at what waits for its turn is due
        self._waiting: deque[Request] = deque()  # over all lanes, in the order in which they were made
        self._out: dict[int, Request] = {}
        self._order = 0

    def nearest_deadline(self) -> int:
        """When the next unanswered request runs out of time; NEVER_NS when there is none."""
        deadline = NEVER_NS
        for request in self._out.values():
            if request.deadline_ns < deadline:
                deadline = request.deadline_ns
        return deadline

    # ---- sending -----------------------------------------------------------------------------------------------

    def say(
        self,
        tell: Tell,
        axis: int,
        done: Callable[[int | None], None],
        failed: Callable[[ChoreoError], None],
        owner: object,
    ) -> bool:
        """
        The unanswered frame of a conversation. True: it has been sent; False: `done` will be called, with the time at
        which it left if that was asked for. It waits for a lane that another conversation holds, and for its turn.
        """
        lane = self.lane(axis)
        if tell.confirm or lane.turn is not None or lane.holder not in (None, owner):
            self.queue(Request(lane, tell, 0, lambda t_ns, *_: done(t_ns), failed, owner))
            return False
        self._keep(lane, owner, tell)
        self.tell(tell, axis)
        return True

    def ask(
        self,
        ask: Ask,
        done: Callable[[Any, int, int, int], None],
        failed: Callable[[ChoreoError], None],
        owner: object = None,
    ) -> None:
        """Queue a request on the lane of its replies; it goes out when lane and window allow."""
        lane = self._lanes[ask.lane | EXTENDED if ask.frame.extended else ask.lane]
        timeout_ns = ask.timeout_ns or lane.timeout_ns
        if ask.at_most_ns is not None:
            timeout_ns = min(timeout_ns, ask.at_most_ns)
        self.queue(Request(lane, ask, timeout_ns, done, failed, owner))

    def queue(self, request: Request) -> None:
        """Queue a request object (again); polls use one object for ever."""
        request.tries = 0
        lane = request.lane
        if not (self._waiting or lane.busy or lane.resting or lane.holder or lane.turn) and self._window_open():
            self._send(request)  # nothing is in its way, as for nearly every poll
            return
        request.asked_ns = self.link.now_ns()
        self._waiting.append(request)
        self._pump()

    def _window_open(self) -> bool:
        return not self._out or self._order - next(iter(self._out)) < WINDOW

    def _pump(self) -> None:
        """Send what lanes and window allow, the longest waiting first."""
        while self._waiting and self._window_open():
            now = self.link.now_ns() if self.turns else 0
            request = next((request for request in self._waiting if self._may_go(request, now)), None)
            if request is None:
                break
            if request.lane.resting and request.decode is not None:
                self._send_barrier(request.lane)
            else:
                self._waiting.remove(request)
                self._send(request)
        if self.turns and self._waiting:
            self._look_again()

    def _may_go(self, request: Request, now: int) -> bool:
        lane = request.lane
        if lane.busy is not None or not (lane.holder is None or lane.holder is request.owner):
            return False
        turn = lane.turn
        return turn is None or not (self._hush or turn.pace.full() or turn.next_ns() > now)

    def _look_again(self) -> None:
        """When the first of those that only wait for their turn may go."""
        now = self.link.now_ns()
        turns = [request.lane.turn.next_ns() for request in self._waiting if request.lane.turn is not None]
        self._wake(min((ready for ready in turns if ready > now), default=NEVER_NS))

    def _wake(self, when_ns: int) -> None:
        if when_ns < self._woken_ns:
            self._woken_ns = when_ns
            self._at(when_ns, self._woken)

    def _woken(self, now: int) -> None:
        self._woken_ns = NEVER_NS
        self._pump()

    @contextmanager
    def hushed(self) -> Iterator[None]:
        """While inside, nothing is asked of nodes that must be spoken to slowly: a broadcast is for all of them."""
        self._hush = True
        try:
            yield
        finally:
            self._hush = False
            self._pump()

    def may_broadcast(self) -> bool:
        """Whether every node may be spoken to. Where only time is in the way, the session is woken when it is over."""
        if any(lane.turn is not None and lane.busy is not None for lane in self._lanes.values()):
            return False
        ready = max((turn.next_ns() for _, turn in self.turns), default=0)
        if ready > self.link.now_ns():
            self._wake(ready)
            return False
        return True

    def _send(self, request: Request) -> None:
        ask = request.ask
        if ask.__class__ is Ask:  # as nearly always
            self._send_request(request, ask)
        else:
            assert isinstance(ask, Tell)
            self._send_tell(request, ask)

    def _send_tell(self, request: Request, tell: Tell) -> None:
        """It is over when it has been handed over, or has left."""
        self._keep(request.lane, request.owner, tell)
        leaving = Leaving(request, self._names[request.lane.axis])
        _, refusal = self.tell(tell, request.lane.axis, leaving.left if tell.confirm else None)
        if refusal is not None:
            request.failed(refusal)
        elif tell.confirm:
            leaving.watch(self._at, self.link.now_ns())
        else:
            request.done(None, 0, 0, 1)

    def _send_request(self, request: Request, ask: Ask) -> None:
        now = self.link.now_ns()
        lane, turn = request.lane, request.lane.turn
        request.tries += 1
        request.order = self._order
        request.asked_ns = now
        request.deadline_ns = now + request.timeout_ns
        request.postponed = 0
        self._out[self._order] = request
        self._order += 1
        lane.busy = request
        if ask.anew is not None:
            request.frame, request.decode = ask.anew()
        frame = request.frame
        refusal = self.send(frame) if turn is None else self.send(frame, confirm=turn.left, turns=(turn,))
        if refusal is not None:  # it never left: nothing to wait for, and no fault of the node's
            del self._out[request.order]
            lane.busy = None
            request.failed(refusal)
        elif turn is not None:
            turn.handed_over(now)
            turn.pace.out += 1

    def _send_barrier(self, lane: Lane) -> None:
        """A counted echo: when it has come back, no late reply is still to come."""
        lane.echo_count += 1

        def proved(value: Any, asked_ns: int, arrived_ns: int, tries: int) -> None:
            lane.resting = False

        ask = lane.echo(lane.echo_count)
        self._send_request(Request(lane, ask, lane.timeout_ns, proved, lambda error: None), ask)

    def receive(self, frame: Frame) -> None:
        """
        Hand a frame to the request that it answers, to the drive's listener, or to whoever judges strangers. No dialect
        has remote frames: one on a drive's identifier is a stranger's.
        """
        self._recent.append((frame.t_ns, "heard", frame))
        key = frame.id | EXTENDED if frame.extended else frame.id
        if frame.remote:
            self.on_foreign(frame)
            return
        lane = self._lanes.get(key)
        if lane is None:
            self._hear(key, frame)
            return
        if lane.own is not None and self._doubled(lane, frame):
            return
        request = lane.busy
        if request is None or request.decode is None or frame.t_ns < request.asked_ns:  # it lay in the link meanwhile
            self._unasked(lane, frame)
            return
        try:
            value = request.decode(frame)
        except ChoreoError as refusal:
            self._answered(lane, request, frame.t_ns)
            self.note(request.lane.axis, request.ask.what, request.frame, str(refusal))
            request.failed(refusal)
            self._pump()
            return
        if value is None:
            self._unasked(lane, frame)
            return
        self._answered(lane, request, frame.t_ns)
        if request.owner is not None:
            self.note(request.lane.axis, request.ask.what, request.frame, "done")
        request.done(value, request.asked_ns, frame.t_ns, request.tries)
        if self._waiting:
            self._pump()

    def _hear(self, key: int, frame: Frame) -> None:
        listener, lane = self._listeners.get(key, (None, None))
        if listener is None:
            self.on_foreign(frame)
        elif lane is None or lane.own is None or not self._doubled(lane, frame):
            listener(frame)

    def _doubled(self, lane: Lane, frame: Frame) -> bool:
        """Where a drive counts its own frames: whether this one came twice (P6); what was skipped is noted (P35)."""
        assert lane.own is not None
        doubled, skipped = lane.own.look(frame)
        if doubled:
            self._unasked(lane, frame)
        elif skipped:
            what = f"{skipped} of its frames lost, by its own count"
            self.log.record("link", axis=self._names[lane.axis], what=what, frame=frame.text(), skipped=skipped)
        return doubled

    def _answered(self, lane: Lane, request: Request, arrived_ns: int) -> None:
        took = arrived_ns - request.asked_ns
        if took > lane.worst_ns:
            lane.worst_ns = took
        if self.took is not None:
            self.took.append(took)
        lane.busy = None
        lane.losses = 0
        lane.silent = False
        lane.heard_ns = arrived_ns
        del self._out[request.order]
        ask = request.ask
        if lane.turn is not None:
            self._back(lane.turn, arrived_ns + ask.quiet_ns)
        if request.abandoned and ask.keep:  # a transfer that nobody goes on with: it must not stay half done
            self._undo(lane, ask.abort)
        elif ask.keep or lane.holder is not None:
            self._keep(lane, request.owner, ask)

    def _back(self, turn: Turn, rests_until_ns: int) -> None:
        turn.pace.out -= 1
        turn.rest(rests_until_ns)

    def _keep(self, lane: Lane, owner: object, want: Ask | Tell) -> None:
        """A transfer of several frames holds its lane from its first frame to its last."""
        if want.keep:
            lane.holder, lane.abort = owner, want.abort
            self._held[lane.id] = lane
        elif lane.holder is not None and lane.holder is owner:
            self._let_go(lane)

    def _let_go(self, lane: Lane) -> None:
        lane.holder = lane.abort = None
        self._held.pop(lane.id, None)

    def release(self, owner: object) -> None:
        """A conversation is over: what it still holds is broken off."""
        held = [lane for lane in self._held.values() if lane.holder is owner]
        for lane in held:
            self._break_off(lane)
        if held and self._waiting:
            self._pump()

    @property
    def holding(self) -> bool:
        """Whether any conversation holds a lane."""
        return bool(self._held)

    def _unasked(self, lane: Lane, frame: Frame) -> None:
        """A late, doubled or forged reply: counted and left (P12)."""
        lane.unasked += 1
        self.log.record("late", axis=self._names[lane.axis], frame=frame.text())
        if not lane.resting:  # else a late reply of long ago may come
            self.on_unasked(lane.axis, frame)

    def confirmed(self, event: Confirmed) -> None:
        """A frame has left: in its gap something else may wait."""
        super().confirmed(event)
        if self.turns and self._waiting:
            self._pump()

    def expire(self, now: int) -> None:
        """Give up what has waited too long."""
        for request in [request for request in self._out.values() if request.deadline_ns <= now]:
            self._lost(request, now)

    def postpone(self, now: int, held_up_ns: int) -> None:
        """
        The session was held up for so long, and with it perhaps the sending: what is out gets as much time from now on,
        and its whole time at the most; but not again and again.
        """
        for request in self._out.values():
            until_ns = now + min(held_up_ns, request.timeout_ns)
            if request.deadline_ns < until_ns and request.postponed < MOST_POSTPONED:
                request.postponed += 1
                request.deadline_ns = until_ns

    def _lost(self, request: Request, now: int) -> None:
        lane, ask = request.lane, request.ask
        assert isinstance(ask, Ask)
        del self._out[request.order]
        lane.busy = None
        lane.resting = True
        if lane.turn is not None:
            self._back(lane.turn, now + ask.quiet_ns)
        if lane.losses == 0:
            lane.first_loss_ns = request.asked_ns
        lane.losses += 1
        self.log.record("lost", axis=self._names[lane.axis], what=ask.what, after_ns=request.timeout_ns)
        if lane.losses >= LOSSES_TO_SILENCE and not lane.silent:
            lane.silent = True
            report_silence(self.log, lane, self.lanes(), self._names, now)
        if request.tries <= ask.again and not lane.silent and not request.abandoned:
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
        self.note(request.lane.axis, request.ask.what, request.frame, "no reply")
        name = self._names[request.lane.axis]
        what = f"{name}: {request.ask.what} was not answered within {seconds(request.timeout_ns)}"
        request.failed(NoReply(what, rule="no-reply", axis=name))

    def forget(self, owners: Sequence[object], *, go_on: bool = True) -> None:
        """
        Drop what these conversations still want. What is out may be answered, and is never asked again. Unless `go_on`,
        nothing is sent now: a stop follows at once, and comes first.
        """
        for request in self._out.values():
            request.abandoned = request.abandoned or request.owner in owners
        self._waiting = deque(request for request in self._waiting if request.owner not in owners)
        for lane in list(self._held.values()):
            if lane.holder in owners:
                self._break_off(lane)
        if self._waiting and go_on:
            self._pump()

    def withdraw_motion(self) -> list[Frame]:
        """For the stop: drop what conversations want, take back motion, break off transfers (undone behind it)."""
        self._waiting = deque(request for request in self._waiting if request.owner is None)
        for request in self._out.values():
            request.abandoned = request.owner is not None
        taken = self.link.withdraw(lambda frame: self.guard.classify(frame) in MOTION)
        for frame in reversed(taken):
            self._took_back(frame)
        for lane in list(self._held.values()):
            self._break_off(lane)
        return taken

    def _took_back(self, frame: Frame) -> None:
        """It will neither leave nor be answered: its lane is free."""
        self.taken_back(frame)
        request = next((request for request in self._out.values() if request.frame == frame), None)
        if request is None:
            return
        del self._out[request.order]
        request.lane.busy = None
        if request.lane.turn is not None:
            self._back(request.lane.turn, 0)

    def _break_off(self, lane: Lane) -> None:
        abort = lane.abort
        self._let_go(lane)
        self._undo(lane, abort)

    def _undo(self, lane: Lane, abort: Tell | None) -> None:
        """A transfer that nobody goes on with must not stay half done: what undoes it is the next thing on its lane."""
        if abort is None or any(request.ask is abort for request in self._waiting):
            return
        self._waiting.appendleft(Request(lane, abort, 0, lambda *_: None, lambda error: None))
        self._wake(self.link.now_ns())
