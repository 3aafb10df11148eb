"""What a step works with: the plan, the session, the axes, the watchers, and the few things that several steps do."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

from choreo.drive.conversation import Conversation
from choreo.drive.verbs import Drive, Status
from choreo.errors import ChoreoError, MachineFault
from choreo.plan.model import Plan, Scope, StepPlan
from choreo.run.axes import Axis
from choreo.run.log import MS, NoReply, named, seconds
from choreo.run.requests.lanes import LOSSES_TO_SILENCE, Request
from choreo.run.session import Session
from choreo.run.watch.inputs import Inputs
from choreo.run.watch.watchers import PairWatch, Watch
from choreo.wire.words import Setting

#: A node that is not seen to slow down after a stop is told again this often (P13).
STOP_AGAIN_NS = 50 * MS
#: It slows down when its speed is below this part of the one that it had.
SLOWING = 0.9


#: Rounds in a row in which an axis under way is found not to have been read for too long.
BLIND_ROUNDS = 2

#: Gets a question, and may answer it at once in the place of a person; with None somebody else will.
Operator = Callable[[str], str | None]


class Poller:
    """Reads one axis' position when its round comes, with one request object for the whole run."""

    def __init__(self, session: Session, watch: Watch, axis: Axis, poll_ns: int) -> None:
        self.on = True
        self.pending = False
        self._session = session
        self._watch = watch
        self._axis = axis
        lane = session.traffic.lane(axis.plan.index)
        self._blind_ns = (LOSSES_TO_SILENCE + 1) * lane.timeout_ns + 2 * poll_ns  # a silent node is told apart before
        self._blind = 0  # rounds in a row
        self._request = Request(lane, axis.drive.poll_position(), lane.timeout_ns, self._done, self._failed)

    def ask(self, now: int) -> None:
        """Ask, unless the last poll is still unanswered."""
        self._look_back(now)
        if self.pending:
            late_ns = now - self._request.asked_ns
            self._session.record("overrun", what=f"the poll of {self._axis.name}", late_ns=late_ns)
        elif self.on:
            self.pending = True
            self._session.traffic.queue(self._request)

    def _look_back(self, now: int) -> None:
        """
        An axis under way that nobody has read for longer than a silent node would be borne is not watched at all: a
        computer that does not keep up with its bus gets replies, only much too late. One pause by itself is borne.
        """
        axis = self._axis
        if axis.motion is None or not axis.readings or now - axis.readings[-1].asked_ns <= self._blind_ns:
            self._blind = 0
            return
        self._blind += 1
        if self._blind == BLIND_ROUNDS:
            self._session.report(
                MachineFault(
                    f"{axis.name} is moving and was not read for {seconds(now - axis.readings[-1].asked_ns)}",
                    rule="not-watched",
                    axis=axis.name,
                    node=axis.plan.node,
                    help="This computer, or its adapter, does not keep up with the bus: end other programs, find out "
                    "who fills the bus (`choreo link`), poll more slowly.",
                )
            )

    def _done(self, value: Any, asked_ns: int, arrived_ns: int, tries: int) -> None:
        self.pending = False
        self._watch.take(self._axis, value, asked_ns, arrived_ns)

    def _failed(self, error: ChoreoError) -> None:
        """Silence is the lane's business; a drive that refuses to say where it is ends the run."""
        self.pending = False
        if not isinstance(error, NoReply):
            self._session.report(named(error, self._axis.name))


class Round:
    """A few axes that are read one right after the other, once every period; a pair always in one round (P9)."""

    def __init__(self, pollers: Sequence[Poller], first_ns: int, period_ns: int) -> None:
        self.pollers = pollers
        self._next_ns = first_ns
        self._period_ns = period_ns

    def due(self, now: int) -> int:
        """Ask all of them; returns when the next round is."""
        for poller in self.pollers:
            poller.ask(now)
        self._next_ns += self._period_ns
        if self._next_ns <= now:  # far behind: polls that were missed are not made up for
            self._next_ns = now + self._period_ns
        return self._next_ns


@dataclass(slots=True)
class Run:
    """One run while it goes on. `step` is the step under way."""

    plan: Plan
    session: Session
    axes: tuple[Axis, ...]
    pairs: tuple[PairWatch, ...]
    watch: Watch
    pollers: tuple[Poller, ...]
    inputs: Inputs
    step: StepPlan | None = None
    compared: bool = False  # what a count is was compared with the drives (P26)
    opened: bool = False  # loads were brought to a known, empty state
    restore: dict[tuple[int, Setting], int] = field(default_factory=dict)  # what was set for a while: what it was (P25)
    scopes: list[tuple[Scope, int]] = field(default_factory=list)  # under way, outermost first, and since when
    operator: Operator | None = None  # answers in the place of a person
    single_step: bool = False  # the operator is asked before each step
    outputs: dict[int, bool | None] = field(default_factory=dict)  # as switched by this run; None: not answered

    def pick(self, indices: Iterable[int]) -> list[Axis]:
        """Axes by index."""
        return [self.axes[index] for index in indices]

    def pair_of(self, axes: Sequence[Axis]) -> PairWatch | None:
        """The pair that these axes are, if they are one."""
        names = {axis.name for axis in axes}
        return next((pair for pair in self.pairs if {pair.first.name, pair.second.name} == names), None)

    async def each(self, axes: Sequence[Axis], verb: Callable[[Drive], Conversation[Any]]) -> list[Any]:
        """One conversation with each axis, all at once."""
        return await self.session.run(*((axis.plan.index, verb(axis.drive)) for axis in axes))

    async def states(self, axes: Sequence[Axis]) -> list[Status]:
        """What each drive says of itself."""
        return await self.each(axes, lambda drive: drive.status())

    async def fresh_readings(self, axes: Sequence[Axis]) -> None:
        """Wait until each axis has been read anew."""
        since = self.session.now()
        await self.session.until(lambda: all(axis.readings and axis.readings[-1].asked_ns >= since for axis in axes))

    async def standstill(self, axes: Sequence[Axis], limit_ns: int) -> None:
        """
        Wait until each axis is proved to stand: three fresh, equal readings (P10).

        Raises:
            MachineFault: an axis still moves after `limit_ns`.
        """
        since = self.session.now()
        with self.session.within(limit_ns, f"the standstill of {', '.join(axis.name for axis in axes)}"):
            await self.session.until(lambda: all(axis.stands(since, axis.plan.noise_counts) for axis in axes))
        for axis in axes:
            axis.stand(axis.counts)

    async def stop(self, axes: Sequence[Axis], limit_ns: int) -> None:
        """
        A controlled ramp for these axes alone, told again to each that is not seen to slow down (P13), then the proof
        that they stand.

        Raises:
            MachineFault: an axis still moves after `limit_ns`.
        """
        speeds = {axis.name: abs(axis.speed()) for axis in axes}
        standing: list[bool] = []

        def tell(now: int) -> int | None:
            if standing:
                return None
            for axis in axes:
                if abs(axis.speed()) >= SLOWING * speeds[axis.name]:
                    self.session.traffic.tell(axis.drive.stop(), axis.plan.index)
            return now + STOP_AGAIN_NS

        for axis in axes:
            axis.coast()
        self.session.at(self.session.now(), tell)
        try:
            await self.standstill(axes, limit_ns)
        finally:
            standing.append(True)


def unexpected(axis: Axis, headline: str, rule: str, help: str = "") -> MachineFault:
    """A finding about one axis."""
    return MachineFault(f"{axis.name}: {headline}", rule=rule, axis=axis.name, node=axis.plan.node, help=help)
