"""
What each reading is held against while a run goes on.

A watcher never stops anything by itself: it reports a finding, and the session raises it at its one waiting point.
"""

from collections.abc import Callable, Mapping, Sequence

from choreo.drive.verbs import Status
from choreo.errors import ChoreoError, MachineFault
from choreo.frame import Frame
from choreo.plan.conduct import ROUND_NS
from choreo.plan.model import PairPlan
from choreo.run.axes import Axis
from choreo.run.log import named, seconds
from choreo.run.session import Session
from choreo.run.watch.expected import Expected
from choreo.run.watch.plausible import contradiction, jumped
from choreo.wire.dialect import Decoded, Dialect
from choreo.wire.words import FrameClass


class PairWatch:
    """Two sides of one beam. `limit` is the trip skew, widened only while homing squares the beam."""

    def __init__(self, plan: PairPlan, first: Axis, second: Axis) -> None:
        self.plan = plan
        self.first = first
        self.second = second
        self.limit = float(plan.trip)
        self.worst = 0.0
        self.known = False  # from where the two sides count: from the first reading of both on
        self.tripped = False

    def read_together(self) -> bool:
        """Whether the last readings of both sides belong to one round of polls, whichever was answered first."""
        if not (self.known and self.first.readings and self.second.readings):
            return False
        return abs(self.first.readings[-1].asked_ns - self.second.readings[-1].asked_ns) < ROUND_NS

    def skew(self) -> float:
        """First side less second side at one instant, in the axes' unit."""
        instant = min(self.first.readings[-1].middle_ns, self.second.readings[-1].middle_ns)
        return self.first.position(counts_at(self.first, instant)) - self.second.position(
            counts_at(self.second, instant)
        )

    def blur(self) -> float:
        """
        By how much the skew may be misread: a position was taken somewhere between request and reply, and a reply that
        is 18 ms late at 250 mm/s looks like 2 mm.
        """
        return sum(_moved_meanwhile(side) for side in (self.first, self.second))


def _moved_meanwhile(axis: Axis) -> float:
    """What the axis went in half the time that its last reading took, in its unit."""
    last = axis.readings[-1]
    return abs(axis.speed() / axis.scale) * (last.arrived_ns - last.asked_ns) / 2e9


def counts_at(axis: Axis, instant_ns: int) -> float:
    """
    The reading brought to an instant, along the line through the last two (P9). A beam that is perfectly square at
    400 mm/s shows up to 7.8 mm of skew in raw readings, and 0.15 mm in readings brought to one instant.
    """
    new = axis.readings[-1]
    if len(axis.readings) < 2 or new.middle_ns == instant_ns:
        return new.counts
    old = axis.readings[-2]
    span = new.middle_ns - old.middle_ns
    return new.counts if span <= 0 else new.counts + (new.counts - old.counts) * (instant_ns - new.middle_ns) / span


class Watch:
    """Looks at every reading, every unasked word of a drive, and every frame of somebody else."""

    def __init__(
        self, session: Session, axes: Sequence[Axis], pairs: Sequence[PairWatch], dialects: Mapping[str, Dialect]
    ) -> None:
        self.session = session
        self.axes = axes
        self.pairs = pairs
        self._pair_of = {side.name: pair for pair in pairs for side in (pair.first, pair.second)}
        self._nodes = {axis.plan.node: axis for axis in axes}
        self._dialects = tuple(dialects.values())
        self._cycles = {name: dialect.timing.cycle_ns for name, dialect in dialects.items()}
        self._expected: dict[tuple[str, str], Expected] = {}
        #: Positions that a drive sends of itself are taken no oftener: three in a millisecond prove no standstill.
        self.least_apart_ns = 0
        self._strangers: set[tuple[int, int | None]] = set()
        self._jumped: dict[str, int] = {}  # where axes were read before their position jumped in the stop
        #: Gets the inputs that a drive tells unasked: the axis, bits by name, when they were so: not before, not after.
        self.on_inputs: Callable[[Axis, Mapping[str, int], int, int], None] = lambda axis, bits, asked, arrived: None
        session.traffic.on_foreign = self.foreign
        session.traffic.on_unasked = self.unasked

    # ---- readings ----------------------------------------------------------------------------------------------

    def take(self, axis: Axis, wire_counts: int, asked_ns: int, arrived_ns: int) -> None:
        """A position has come, polled or pushed."""
        axis.accept(wire_counts, asked_ns, arrived_ns)
        session = self.session
        session.log.journal.sample(
            arrived_ns - session.log.start_ns, axis.plan.index, axis.counts, (arrived_ns - asked_ns) // 1000
        )
        session.sampled = axis.plan.index
        if abs(axis.went) > axis.tracking_counts:
            self._jump(axis)
        pair = self._pair_of.get(axis.name)
        if pair is not None and pair.read_together():  # first: a racked beam says more than a side that lags
            self._skew(pair)
        if session.stopping:
            return
        self._track(axis, asked_ns, arrived_ns)
        if axis.onset_by_ns is not None:
            self._onset(axis, asked_ns, arrived_ns)

    def _jump(self, axis: Axis) -> None:
        """Home lapses at a position jump (P17). In a stop it may be an axis that falls, or runs away: no finding."""
        fault = jumped(axis)
        if fault is None:
            return
        axis.home_valid = False
        axis.stand_counts = None  # where it should stand is not known any more
        if not self.session.stopping:
            self.session.report(fault)
            return
        before = self._jumped.setdefault(axis.name, axis.readings[-2].counts)
        if axis.readings[-2].counts == before or abs(axis.counts - before) <= axis.tracking_counts:
            # The first time it may count from another zero, and back where it was the reading was a spike: neither is a
            # speed. One that runs away goes on.
            axis.forget_all_but_last()

    def _track(self, axis: Axis, asked_ns: int, arrived_ns: int) -> None:
        """The reading against the prediction (P8), or against the place where the axis should stand."""
        counts, limit = axis.counts, axis.tracking_counts
        motion = axis.motion
        if motion is None:
            if axis.stand_counts is None or abs(counts - axis.stand_counts) <= limit:
                return
            if axis.on_its_brake:
                axis.brake_holds = False
                self._off(axis, counts - axis.stand_counts, "from where its brake should hold it", "brake-slips")
            else:
                self._off(axis, counts - axis.stand_counts, "from where it should stand", "standstill")
            return
        low, high = motion.expected(asked_ns, arrived_ns)
        if low - limit <= counts <= high + limit:
            return
        away = counts - (low if counts < low else high)
        forward = away * (motion.target_counts - motion.from_counts) > 0
        what = "ahead of its profile" if forward else "behind its profile"
        if not forward and len({reading.counts for reading in axis.readings}) == 1:
            what += ", and its reading does not change: the axis is stalled or the encoder frozen"
        self._off(axis, away, what, "tracking-deviation")

    def _off(self, axis: Axis, counts: float, what: str, rule: str) -> None:
        distance = abs(counts / axis.scale)
        unit = axis.plan.unit
        self.session.report(
            MachineFault(
                f"{axis.name} is {distance:.3g} {unit} {what}; allowed are {float(axis.plan.limits.tracking):g} {unit}",
                rule=rule,
                axis=axis.name,
                node=axis.plan.node,
                help="Look for what holds or pushes the axis, then at its brake, its drive and its encoder.",
            )
        )

    def _onset(self, axis: Axis, asked_ns: int, arrived_ns: int) -> None:
        """Every loaded axis must be seen to start, the right way, within its computed time (P4, P5)."""
        motion = axis.motion
        if motion is None or axis.onset_by_ns is None:
            return
        moved = axis.counts - motion.from_counts
        if abs(moved) > axis.noticeable_counts:
            axis.onset_by_ns = None
            if moved * (motion.target_counts - motion.from_counts) > 0:
                self.session.record("onset", axis=axis.name, after_ns=arrived_ns - motion.early_ns)
            else:
                self.session.report(
                    MachineFault(
                        f"{axis.name} started in the wrong direction",
                        rule="wrong-direction",
                        axis=axis.name,
                        node=axis.plan.node,
                        help="Compare `inverted`, the motor's phase order and the encoder's counting direction.",
                    )
                )
        elif asked_ns > axis.onset_by_ns:
            limit = seconds(axis.onset_by_ns - motion.early_ns)
            self.session.report(
                MachineFault(
                    f"{axis.name} was not seen to start within {limit} of the trigger",
                    rule="missed-onset",
                    axis=axis.name,
                    node=axis.plan.node,
                    help="Its load or the trigger may have been lost, its brake may be applied, or it is blocked.",
                )
            )
            axis.onset_by_ns = None

    def _skew(self, pair: PairWatch) -> None:
        skew = pair.skew()
        if abs(skew) > pair.worst:
            pair.worst = abs(skew)
        if abs(skew) > pair.limit and abs(skew) - pair.blur() > pair.limit and not pair.tripped:
            pair.tripped = True  # said once: a beam that racks while it is being stopped goes on doing so
            unit = pair.first.plan.unit
            self.session.report(
                MachineFault(
                    f"{pair.plan.name}: {pair.first.name} and {pair.second.name} are {abs(skew):.3g} {unit} apart; "
                    f"the trip skew is {pair.limit:g} {unit}",
                    rule="pair-skew",
                    axis=pair.plan.name,
                    help="Free the beam before anything else moves; find out which side was held, then home the pair.",
                )
            )

    # ---- unasked -----------------------------------------------------------------------------------------------

    def hear(self, axis: Axis, frame: Frame) -> None:
        """A drive spoke unasked: a pushed position, a fault, a reset."""
        try:
            event = axis.drive.decode_event(frame)
        except ChoreoError as fault:
            self.session.report(named(fault, axis.name))
            return
        if event is None:
            return
        expected = self._expected.get((axis.name, event.kind))
        if expected is not None:
            expected.heard(frame.t_ns)
        if event.kind == "position":
            self._pushed(axis, event.value, frame.t_ns)
        elif event.kind == "status" and event.status is not None:
            self._told(axis, event.status)
        elif event.kind == "inputs":
            self.on_inputs(axis, event.inputs, frame.t_ns, frame.t_ns)
        elif event.kind == "fault":
            what = event.text or f"code {event.value}"
            self._report_drive(axis, f"{axis.name}: the drive reports a fault: {what}", "drive-fault")
        elif event.kind == "boot":
            axis.home_valid = axis.target_known = False
            axis.load_state = "unknown"
            self._report_drive(axis, f"{axis.name}: the drive has started anew; its home is lost", "drive-reset")

    def expect(self, axis: Axis, periods: Mapping[str, int]) -> None:
        """From now on these kinds of event come at the latest after their periods."""
        for kind, period_ns in periods.items():
            self._expected[axis.name, kind] = Expected(self.session, axis, kind, period_ns)

    def _pushed(self, axis: Axis, counts: int, t_ns: int) -> None:
        """A position that came unasked is as old as the drive's cycle, at the most."""
        if not axis.readings or t_ns - axis.readings[-1].arrived_ns >= self.least_apart_ns:
            asked_ns = t_ns - self._cycles[axis.plan.dialect]
            self.take(axis, counts, asked_ns, t_ns)

    def _told(self, axis: Axis, status: Status) -> None:
        """A drive's word about itself, unasked."""
        if status.fault:
            what = status.fault_text or f"code {status.fault}"
            self._report_drive(axis, f"{axis.name}: the drive reports a fault: {what}", "drive-fault")
        elif axis.enabled and not axis.switching and not status.enabled:
            self._report_drive(axis, f"{axis.name}: the drive says that it is without power", "power-lost")
        if status.homed is False:
            self._home_lost(axis)

    def _home_lost(self, axis: Axis) -> None:
        if axis.home_valid:
            axis.home_valid = False
            self._report_drive(axis, f"{axis.name}: the drive says that its home is lost", "home-lost")

    def _report_drive(self, axis: Axis, headline: str, rule: str) -> None:
        self.session.report(MachineFault(headline, rule=rule, axis=axis.name, node=axis.plan.node))

    def unasked(self, index: int, frame: Frame) -> None:
        """A reply that answers nothing although none is late: doubled, or somebody else's (P6, P12, P36)."""
        fault = contradiction(self.axes[index], frame)
        if fault is not None:
            self.session.report(fault)

    def foreign(self, frame: Frame) -> None:
        """A frame that nobody here expects: another host, or a node that the recipe does not know (P3, P18)."""
        for dialect in self._dialects:
            decoded = dialect.decode(frame)
            if decoded is not None:
                self._judge_foreign(frame, decoded)
                return
        self._stranger(frame, None)

    def _judge_foreign(self, frame: Frame, decoded: Decoded) -> None:
        ours = decoded.node is None or decoded.node in self._nodes
        if decoded.from_drive or not ours or decoded.frame_class is FrameClass.NEUTRAL:
            self._stranger(frame, decoded.node)
            return
        axis = self._nodes.get(decoded.node) if decoded.node is not None else None
        stops = decoded.frame_class is FrameClass.STOPS
        self.session.report(
            MachineFault(
                f"somebody else on the bus sent {decoded.message} to "
                + (f"{axis.name} (node {axis.plan.node})" if axis else "all nodes")
                + f" ({frame.text()})",
                rule="foreign-stop" if stops else "foreign-command",
                axis=axis.name if axis else None,
                node=decoded.node,
                help="Only one host may command a machine. Find the other one and take it off the bus.",
            )
        )

    def _stranger(self, frame: Frame, node: int | None) -> None:
        key = (frame.id, node)
        if key not in self._strangers:
            self._strangers.add(key)
            who = "unknown frame" if node is None else f"frame of undeclared node {node}"
            self.session.record("link", what=f"{who} on the bus", frame=frame.text())
