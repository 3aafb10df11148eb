"""
The session: one coroutine that waits in one place.

While any step waits, the session sends what is due, hands each arriving frame to its lane, lets the watchers look. It
has no locks and cancels nothing; what happens next is decided by data alone, so a run repeats exactly. Watchers record
what they find; `turn` raises it, at its top, so that nothing is lost in the middle of handling a reply.
"""

import heapq
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any

from choreo.drive.conversation import Ask, Conversation, Pause, Reply, Tell, Want
from choreo.errors import ChoreoError, InternalError, LinkLost, MachineFault, OperatorStop
from choreo.frame import Frame
from choreo.journal.writer import JournalWriter
from choreo.link.port import AdapterLost, Answer, BusTrouble, Confirmed, Event, Interrupt, Link
from choreo.run.guard import Guard
from choreo.run.lateness import HELD_UP_NS, LATE_NS, Lateness
from choreo.run.log import MS, Log, named, seconds
from choreo.run.requests.traffic import NEVER_NS, Traffic

#: How long a reading is waited for while the run is stopping, when nobody raises that no node answers any more.
NO_READING_NS = 100 * MS


class _Group:
    """Conversations that somebody waits for together: how many must still end, and what the first failure was."""

    __slots__ = ("failure", "unfinished")

    def __init__(self, count: int) -> None:
        self.unfinished = count
        self.failure: ChoreoError | None = None

    def over(self) -> bool:
        """Whether there is nothing left to wait for."""
        return self.unfinished <= 0 or self.failure is not None


class _Talk:
    """One conversation under way."""

    __slots__ = ("axis", "done", "generator", "group", "result")

    def __init__(self, generator: Conversation[Any], axis: int, group: _Group) -> None:
        self.generator = generator
        self.axis = axis
        self.group = group
        self.done = False
        self.result: Any = None

    def end(self, result: Any, failure: ChoreoError | None = None) -> None:
        """It is over."""
        if self.done:
            return
        self.done, self.result = True, result
        self.group.unfinished -= 1
        if self.group.failure is None:
            self.group.failure = failure


class Session:
    """
    See the module. Times are the link's nanoseconds; `names` are the axes' names by index.
    """

    def __init__(self, link: Link, guard: Guard, journal: JournalWriter, names: Sequence[str]) -> None:
        self.link = link
        self.guard = guard
        self.log = Log(link, journal)
        self.traffic = Traffic(link, guard, self.log, names, self.at)
        self.record = self.log.record
        self.report = self.log.report
        self.now = link.now_ns
        self.stopping = False
        self.answers: deque[str] = deque()
        self.adapter_lost = False
        self.sampled = -1  # the axis whose reading came in since somebody last waited for one
        self._names = names
        self._jobs: list[tuple[int, int, Callable[[int], int | None]]] = []
        self._job_order = 0
        self._limits: list[tuple[int, str, int]] = []
        self._awaited: Callable[[], list[str]] = list  # the axes that are waited for
        self._lateness = Lateness()
        self._kept: deque[Frame | Event] = deque()  # came, and something urgent came behind it
        #: Called when the session was held up for long, on a real bus: whoever guards it may have acted meanwhile.
        self.on_held_up: Callable[[], None] | None = None

    # ---- periodic things ---------------------------------------------------------------------------------------

    def at(self, due_ns: int, job: Callable[[int], int | None]) -> None:
        """Call `job(now)` at `due_ns`; what it returns is when it is due again, None for never."""
        heapq.heappush(self._jobs, (due_ns, self._job_order, job))
        self._job_order += 1

    # ---- limits ------------------------------------------------------------------------------------------------

    @contextmanager
    def within(self, ns: int, owner: str) -> Iterator[None]:
        """
        Everything inside must be over in `ns`. An outer limit that is nearer wins, and keeps its name. While the run is
        stopping nothing is limited: stopping has bounds of its own.
        """
        if self.stopping:
            yield
            return
        deadline = self.link.now_ns() + ns
        if self._limits and self._limits[-1][0] <= deadline:
            self._limits.append(self._limits[-1])
        else:
            self._limits.append((deadline, owner, ns))
        depth = len(self._limits)
        try:
            yield
        finally:
            del self._limits[depth - 1 :]

    @contextmanager
    def waiting_for(self, names: Callable[[], list[str]]) -> Iterator[None]:
        """A limit that runs out inside says which axes it was that `names` gives then."""
        outer, self._awaited = self._awaited, names
        try:
            yield
        finally:
            self._awaited = outer

    # ---- waiting -----------------------------------------------------------------------------------------------

    async def turns(self, over: Callable[[], bool]) -> None:
        """
        The only place that waits: for the next frame or event, the next thing due, or the nearest limit, again and
        again until `over()`. `over` is asked first, and after everything that came or was due.
        """
        log, traffic, jobs, limits = self.log, self.traffic, self._jobs, self._limits
        now_ns, receive_until = self.link.now_ns, self.link.receive_until
        while not over():
            if log.fault is not None and not self.stopping:
                raise log.fault
            if jobs and jobs[0][0] <= (now := now_ns()):
                if now - jobs[0][0] <= LATE_NS or not await self._behind(jobs[0][0], now):
                    self._do_due(now)
                continue
            limit = traffic.nearest_deadline()
            if limits and limits[-1][0] < limit:
                limit = limits[-1][0]
            due = jobs[0][0] if jobs else NEVER_NS
            if due == limit == NEVER_NS:
                raise InternalError(
                    "the session waits for nothing: no job, no request and no limit", rule="waits-forever"
                )
            deadline = due if due < limit else limit
            got = await (receive_until(deadline) if self.on_held_up is None else self._next(deadline))
            if got is None:
                if limit <= due:
                    self._time_is_up(limit)
            elif isinstance(got, Frame):
                traffic.receive(got)
                if got.t_ns >= limit:  # on a busy bus there is always another frame, and time runs out all the same
                    self._time_is_up(limit, more=True)
            else:
                self._on_event(got)

    async def turn(self) -> None:
        """Wait for one thing."""
        done = iter((False, True))
        await self.turns(lambda: next(done))

    async def _behind(self, due_ns: int, now: int) -> bool:
        """
        The session itself is late, as it never is in virtual time: what lies in the link comes before what is due, one
        thing at a time. Whether something came; in the end nothing does, or there is no end of it.
        """
        if self._lateness.caught_up(due_ns):
            return False
        self._overslept(due_ns, now)
        got = await self._next(due_ns)
        if isinstance(got, Frame):
            self.traffic.receive(got)
        elif got is not None:
            self._on_event(got)
        if got is None or self._lateness.too_long(now):
            self._caught_up(due_ns)
        return got is not None

    async def _next(self, deadline_ns: int) -> Frame | Event | None:
        """
        What comes next. After the session was held up for long, whoever guards it may have stopped the machine: that
        comes first, before a reply that waited meanwhile moves something.
        """
        if self._kept:
            return self._kept.popleft()
        got = await self.link.receive_until(deadline_ns)
        held_up = self.on_held_up is not None and self.link.now_ns() - deadline_ns > HELD_UP_NS
        if not held_up or self.on_held_up is None or not isinstance(got, Frame):
            return got
        self.on_held_up()
        urgent = await self.link.receive_until(0)
        if isinstance(urgent, Interrupt):
            self._kept.append(got)
            return urgent
        if urgent is not None:
            self._kept.append(urgent)
        return got

    def _caught_up(self, due_ns: int) -> None:
        """Everything that had come by now is routed: what was asked and not answered gets its time again."""
        now = self.link.now_ns()
        self._lateness.end(due_ns, now)
        self.traffic.postpone(now, now - due_ns)

    def _overslept(self, due_ns: int, now: int) -> None:
        if self._lateness.begin(due_ns, now) and now - due_ns > HELD_UP_NS:
            self.record("link", what=f"choreo itself was held up for {seconds(now - due_ns)}")

    def _do_due(self, now: int) -> None:
        jobs = self._jobs
        while jobs and jobs[0][0] <= now:
            _, order, job = heapq.heappop(jobs)  # out before it is called: a job that raises is not called again
            again = job(now)
            if again is not None:
                heapq.heappush(jobs, (again, order, job))

    async def until(self, ready: Callable[[], bool]) -> None:
        """Wait until `ready()`; it is asked at once, and again after each reading."""
        while not ready():
            await self.reading()

    async def reading(self) -> int:
        """Wait for the next reading of any axis; returns which it was. While stopping -1 when none comes any more."""
        self.sampled = -1
        late: list[bool] = []
        if self.stopping:
            self.at(self.link.now_ns() + NO_READING_NS, lambda now: late.append(True))
        await self.turns(lambda: self.sampled >= 0 or bool(late))
        return self.sampled

    async def sleep(self, ns: int) -> None:
        """Let time pass; everything stays watched."""
        over: list[bool] = []
        self.at(self.link.now_ns() + ns, lambda now: over.append(True))
        await self.turns(lambda: bool(over))

    async def run(self, *conversations: tuple[int, Conversation[Any]]) -> list[Any]:
        """
        Hold several conversations at once, each given with its axis index; returns their results in order.

        Raises:
            RefusedByDrive, MachineFault: what the first conversation that failed ended with.
        """
        return [talk.result for talk in await self._hold(conversations, 0)]

    async def first(self, *conversations: tuple[int, Conversation[Any]]) -> None:
        """The same until one of them is over; the others are dropped where they are."""
        await self._hold(conversations, len(conversations) - 1)

    async def _hold(self, conversations: Sequence[tuple[int, Conversation[Any]]], left: int) -> list[_Talk]:
        group = _Group(len(conversations) - left)
        talks = [_Talk(generator, axis, group) for axis, generator in conversations]
        try:
            for talk in talks:
                self._advance(talk, None)
            with self.waiting_for(lambda: [self._names[talk.axis] for talk in talks if not talk.done]):
                await self.turns(group.over)
        finally:
            self._abandon(talks, go_on=group.failure is None and self.log.fault is None)
        if group.failure is not None:  # what a watcher found meanwhile is nearer to the cause
            raise group.failure if self.stopping or self.log.fault is None else self.log.fault
        return talks

    # ---- what came ---------------------------------------------------------------------------------------------

    def _on_event(self, event: Event) -> None:
        if isinstance(event, Confirmed):
            self.traffic.confirmed(event)
        elif isinstance(event, Interrupt) and not event.by_operator:
            help = "Find out what held this computer up: sleep, a debugger, another program. Look at the machine first."
            self.report(MachineFault(event.reason, rule="held-up", help=help))
        elif isinstance(event, Interrupt):
            self.record("operator", what=event.reason)
            self.log.hold(OperatorStop(f"stopped by the operator: {event.reason}", rule="operator"))
        elif isinstance(event, AdapterLost):
            self.adapter_lost = True
            self.report(LinkLost(f"the adapter is lost: {event.reason}", rule="adapter-lost"))
        elif isinstance(event, Answer):
            self.record("operator", what="answer", text=event.text, by=event.by)
            self.answers.append(event.text)
        elif isinstance(event, BusTrouble):
            self.record("link", what=event.what)

    def _time_is_up(self, limit: int, *, more: bool = False) -> None:
        """The nearest limit is over. With `more` something came, and there may be more behind it."""
        now = self.link.now_ns()
        if now - limit > LATE_NS and not self._lateness.caught_up(limit):
            self._overslept(limit, now)
            if more and not self._lateness.too_long(now):
                return
            self._caught_up(limit)
        self.traffic.expire(now)
        if self._limits and self._limits[-1][0] <= now and not self.stopping:
            _, owner, ns = self._limits[-1]
            left = self._awaited()
            headline = f"{owner} is not over after its limit of {seconds(ns)}"
            headline += f": it still waits for {', '.join(left)}" if left else ""
            self.report(MachineFault(headline, rule="time-limit", axis=left[0] if len(left) == 1 else None))

    # ---- conversations -----------------------------------------------------------------------------------------

    def _advance(self, talk: _Talk, value: Any, error: ChoreoError | None = None) -> None:
        """Give the conversation what it waited for, and do what it wants next."""
        while True:
            try:
                want: Want = talk.generator.throw(error) if error is not None else talk.generator.send(value)
            except StopIteration as end:
                self._end(talk, end.value)
                return
            except ChoreoError as failure:
                self._end(talk, None, named(failure, self._names[talk.axis]))
                return
            error = None
            if isinstance(want, Ask):
                self._ask(talk, want)
                return
            if isinstance(want, Pause):
                self.at(self.link.now_ns() + want.ns, lambda now: self._advance(talk, None))
                return
            if not self._say(talk, want):
                return
            value = None

    def _end(self, talk: _Talk, result: Any, failure: ChoreoError | None = None) -> None:
        talk.end(result, failure)
        if self.traffic.holding:
            self.traffic.release(talk)

    def _ask(self, talk: _Talk, ask: Ask) -> None:
        def done(value: Any, asked_ns: int, arrived_ns: int, tries: int) -> None:
            self._advance(talk, Reply(value, asked_ns, arrived_ns, tries))

        def failed(error: ChoreoError) -> None:
            self._advance(talk, None, error)

        self.traffic.ask(ask, done, failed, talk)

    def _say(self, talk: _Talk, tell: Tell) -> bool:
        """Whether the conversation may go on at once."""

        def done(left_ns: int | None) -> None:
            self._advance(talk, left_ns)

        def failed(error: ChoreoError) -> None:
            self._advance(talk, None, error)

        return self.traffic.say(tell, talk.axis, done, failed, talk)

    def _abandon(self, talks: Sequence[_Talk], *, go_on: bool) -> None:
        """
        Drop what unfinished conversations still want. Their answers, if any come, are heard and left. `go_on` as for
        `Traffic.forget`.
        """
        left = [talk for talk in talks if not talk.done]
        for talk in left:
            talk.end(None)
            talk.generator.close()
        if left:
            self.traffic.forget(left, go_on=go_on)

    # ---- stopping ----------------------------------------------------------------------------------------------

    def begin_stopping(self) -> list[Frame]:
        """
        From now on nothing that moves an axis is handed over. Returns the motion frames that were taken back.

        Findings are recorded and no longer raised, limits no longer hold: stopping has bounds of its own.
        """
        self.stopping = True
        self.guard.stopping = True
        self._limits.clear()
        return self.traffic.withdraw_motion()
