"""
Inputs while a run goes on: read as often as positions are, and taken from what a drive says on its own.

A reading is an interval, from the request to the reply. A change counts when it has lasted for the input's `debounce`,
which two readings show: the level may have flickered between them and nobody knows. An input that cannot be read any
more is unknown, and for an interlock that is as good as off (practice.md P10: what proves nothing is not counted).
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import Any

from choreo.errors import ChoreoError, MachineFault
from choreo.plan.signals import Demands, InputPlan
from choreo.run.axes import Axis
from choreo.run.log import NoReply, named, seconds
from choreo.run.requests.lanes import Request
from choreo.run.session import Session

#: An interlock that was not read for so many poll periods, and the time of a reply, is not known any more.
STALE_POLLS = 5


class Signal:
    """
    One input. `on` is its level, debounced; None while it is not known. `raw` is what was read last, since `since`: the
    first reading that showed it. `before_ns` is when it was last read otherwise.
    """

    __slots__ = ("asked_ns", "before_ns", "on", "plan", "raw", "since", "told")

    def __init__(self, plan: InputPlan) -> None:
        self.plan = plan
        self.on: bool | None = None
        self.raw: bool | None = None
        self.since = (0, 0)
        self.before_ns: int | None = None
        self.asked_ns = -1  # when it was last asked for, of what was answered
        self.told = False  # its loss as an interlock was reported

    def take(self, bit: bool, asked_ns: int, arrived_ns: int) -> bool:
        """A reading. Whether the debounced level changed, or is known for the first time."""
        level = bit is self.plan.active_high
        if self.raw is not level:
            self.before_ns = self.asked_ns if self.raw is not None else None
            self.raw, self.since = level, (asked_ns, arrived_ns)
        self.asked_ns = asked_ns
        # One reading shows one instant of its interval, however late it was answered: it has lasted for nothing.
        lasted_ns = 0 if self.since[0] == asked_ns else arrived_ns - self.since[0]
        if self.on is level or (self.on is not None and lasted_ns < self.plan.debounce_ns):
            return False
        self.on = level
        return True

    def lose(self) -> bool:
        """It cannot be read any more. Whether it was known."""
        known = self.on is not None
        self.on = self.raw = self.before_ns = None
        return known

    @property
    def settled(self) -> bool:
        """Whether no change is on its way."""
        return self.on is not None and self.on is self.raw

    @property
    def word(self) -> str:
        """Its level in a word."""
        return level_word(self.on)


def level_word(on: bool | None) -> str:
    """on, off or unknown."""
    return "unknown" if on is None else "on" if on else "off"


class InputPoller:
    """Reads the inputs of one drive once every period, as long as somebody wants them."""

    def __init__(self, inputs: "Inputs", axis: Axis, period_ns: int) -> None:
        self.wanted = 0
        self.pending = False
        self.failure: ChoreoError | None = None  # why the last reading failed
        self.heard_ns: int | None = None
        self._inputs = inputs
        self._axis = axis
        self._period_ns = period_ns
        self._going = False
        self._request: Request | None = None

    def want(self) -> None:
        """Somebody needs these inputs from now on."""
        self.wanted += 1
        if not self._going:
            self._going = True
            session = self._inputs.session
            self.heard_ns = session.now()
            session.at(session.now(), self._due)

    def _due(self, now: int) -> int | None:
        if not self.wanted:
            self._going = False
            return None
        lane = self._inputs.session.traffic.lane(self._axis.plan.index)
        if not self.pending:
            if self._request is None:
                self._request = Request(lane, self._axis.drive.poll_inputs(), lane.timeout_ns, self._done, self._failed)
            self.pending = True
            self._inputs.session.traffic.queue(self._request)
        if self.heard_ns is not None and now - self.heard_ns > STALE_POLLS * self._period_ns + lane.timeout_ns:
            self._inputs.lose(self._axis, f"were not read for {seconds(now - self.heard_ns)}")
        return now + self._period_ns

    def _done(self, value: Mapping[str, int], asked_ns: int, arrived_ns: int, tries: int) -> None:
        self.pending = False
        self.failure = None
        self.heard_ns = arrived_ns
        self._inputs.take(self._axis, value, asked_ns, arrived_ns)

    def _failed(self, error: ChoreoError) -> None:
        self.pending = False
        self.failure = named(error, self._axis.name)
        self._inputs.lose(self._axis, "cannot be read: " + error.headline)


class Inputs:
    """
    All inputs of a run. `able` says whether anything can move; `where` names the step under way, for findings.
    `edges` are called with the index of each input whose raw reading has changed.
    """

    def __init__(
        self,
        session: Session,
        axes: Sequence[Axis],
        inputs: Sequence[InputPlan],
        demands: Demands,
        period_ns: int,
        able: Callable[[], bool],
        where: Callable[[], str],
    ) -> None:
        self.session = session
        self.demands = demands
        self.signals = tuple(Signal(one) for one in inputs)
        self.edges: list[Callable[[int], None]] = []
        self.looked = False  # what is required was looked at
        self._axes = axes
        self._able = able
        self._where = where
        self._of = {axis: [s for s in self.signals if s.plan.axis == axis] for axis in {one.axis for one in inputs}}
        self._pollers = {axis: InputPoller(self, axes[axis], period_ns) for axis in sorted(self._of)}

    # ---- readings ----------------------------------------------------------------------------------------------

    def take(self, axis: Axis, levels: Mapping[str, Any], asked_ns: int, arrived_ns: int) -> None:
        """The bits of one drive have come, polled or on their own; of an event those that it holds."""
        for signal in self._of.get(axis.plan.index, ()):
            bit = levels.get(signal.plan.bit)
            if bit is None:
                continue
            before = signal.raw
            changed = signal.take(bool(bit), asked_ns, arrived_ns)
            if signal.raw is not before:
                for edge in self.edges:
                    edge(signal.plan.index)
            if changed:
                self._record(signal)
            self._judge(signal, "was lost")

    def lose(self, axis: Axis, why: str) -> None:
        """The inputs of a drive cannot be read."""
        for signal in self._of.get(axis.plan.index, ()):
            if signal.lose():
                self._record(signal)
            if not self.session.stopping:
                self._judge(signal, why)

    def _record(self, signal: Signal) -> None:
        self.session.record("input", name=signal.plan.name, axis=self._axes[signal.plan.axis].name, level=signal.word)

    def _judge(self, signal: Signal, why: str) -> None:
        """An interlock that is not on while anything can move ends the run, once."""
        if signal.on:
            signal.told = False
        elif signal.plan.index in self.demands.interlocks and not signal.told and self._able():
            signal.told = True
            self.session.report(self.interlock_fault(signal, why))

    def interlock_fault(self, signal: Signal, why: str) -> MachineFault:
        """What is said of an interlock that is not on."""
        axis = self._axes[signal.plan.axis]
        return MachineFault(
            f"the interlock {signal.plan.name} ({signal.plan.bit} of {axis.name}) {why}{self._where()}",
            rule="interlock",
            axis=axis.name,
            node=axis.plan.node,
            help="Bring it back, and find out why it went, before the next run: nothing goes on by itself.",
        )

    # ---- waiting -----------------------------------------------------------------------------------------------

    @contextmanager
    def watching(self, index: int) -> Iterator[None]:
        """This input is read as long as this lasts."""
        poller = self._pollers[self.signals[index].plan.axis]
        poller.want()
        try:
            yield
        finally:
            poller.wanted -= 1

    def watch_interlocks(self) -> None:
        """From now on, to the end of the run."""
        for axis in sorted({self.signals[index].plan.axis for index in self.demands.interlocks}):
            self._pollers[axis].want()

    async def until(self, index: int, ready: Callable[[Signal], bool], *, must: bool = True) -> None:
        """
        Wait until `ready` of an input that is watched; it is asked after everything that comes.

        Raises:
            ChoreoError: the drive refuses to read the input. Without `must` that only ends the wait.
        """
        signal = self.signals[index]
        poller = self._pollers[signal.plan.axis]
        await self.session.turns(lambda: ready(signal) or self._refused(poller))
        if must and poller.failure is not None and not ready(signal):
            raise poller.failure

    async def fresh(self, index: int, *, must: bool = True) -> None:
        """Wait until an input that is watched was read anew, and no change of it is on its way."""
        since = self.session.now()
        await self.until(index, lambda signal: signal.asked_ns >= since and signal.settled, must=must)

    @staticmethod
    def _refused(poller: InputPoller) -> bool:
        """Silence is the lane's business; a drive that refuses to say ends the wait."""
        return poller.failure is not None and not isinstance(poller.failure, NoReply)
