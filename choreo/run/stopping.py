"""
The sequence that brings every axis to rest and proves it. Every path out of a run that did not succeed goes through it.

    1  nothing that moves an axis is handed over any more; what waits in the outbox is taken back
    2  a stop to all by broadcast, then to each node; again once everything handed over before is on the wire, because a
       start that was already in the adapter may lose arbitration to the stop and follow it
    3  every axis is polled until it stands (three fresh, equal readings) or is declared unproven; one that is not seen
       to slow down is told again; one whose speed rises loses its power and gets its brake; a controlled stop in
       which anything is found becomes a quick one
    4  loads are cleared, or named where that cannot be proved
    5  what closing may still do (it moves nothing), and one record an axis: what P17 asks

practice.md P2, P10, P13 to P18 (common practice, no source). This stop is software. It replaces neither the emergency
stop nor the safety functions that the machine's risk assessment asks for.
"""

import math
from dataclasses import dataclass

from choreo.errors import ChoreoError, ExpectationFailed, LinkLost, OperatorStop
from choreo.run.axes import Axis
from choreo.run.context import SLOWING, STOP_AGAIN_NS, Run
from choreo.run.log import MS
from choreo.wire.words import FrameClass

#: How long frames that were handed over before the stop may take to leave before the stop goes on without them.
LEAVE_NS = 200 * MS
#: What an axis is given beyond its longest ramp before it is declared unproven.
MARGIN_NS = 1_000 * MS
#: Beyond what its ramp explains, a speed may read this much too high: a factor, and counts a second (P14).
RUNAWAY_FACTOR = 1.25
RUNAWAY_COUNTS_PER_S = 20_000.0
#: What a stop may take to act, beyond its ramp: the frames, the drive's cycle, its lag, two polls.
REACTION_NS = 100 * MS


@dataclass(slots=True)
class Rest:
    """How one axis ended (P17). `proven` is whether it was seen to stand; `load` is "empty", "loaded" or "unknown"."""

    axis: Axis
    proven: bool = False
    energised: bool | None = None
    load: str = "unknown"
    cut: bool = False  # power was taken and the brake applied because it ran away
    speed_at_stop: float = 0.0
    lowest: float = math.inf  # the lowest speed since every ramp must fall, counts a second
    fastest: float = 0.0  # `speed_at_stop`, or what the motion under way asked for, if that is more
    at_stop: int | None = None  # its last counts before the stop
    way: float = 0.0  # how many counts its ramp needs at least, from the speed that it had or should have had
    why: str = ""

    def next_action(self) -> str:
        """What may safely be done next."""
        if not self.proven:
            return (
                "Stay clear. Take the power away with the machine's own emergency stop, and see for yourself that the "
                "axis stands, before anyone goes near it."
            )
        if self.load != "empty":
            return "It may hold a load: switch the drive off before any start trigger is sent on this bus."
        if not self.axis.home_valid:
            return "Find the cause, then home it before the next move to a position."
        return "Find the cause before the next run."


async def bring_to_rest(run: Run, cause: ChoreoError) -> list[Rest]:
    """Steps 1 to 4 of the sequence. Never raises for anything the machine does; bounded in time."""
    session = run.session
    rests = [Rest(axis, speed_at_stop=abs(axis.speed())) for axis in run.axes]
    taken = session.begin_stopping()
    known = session.log.findings
    quick = not isinstance(cause, OperatorStop | ExpectationFailed)
    for rest in rests:
        _note_way(rest, session.now())
    step = run.step
    session.record(
        "stopping",
        cause=cause.headline,
        rule=cause.rule,
        exit=int(cause.exit),
        step=None if step is None else step.id,
        axis=cause.axis,
        taken_back=[frame.text() for frame in taken],
    )
    tell_all(run, quick)
    session.record("frames", last=session.traffic.recent_frames())
    session.log.journal.sync()
    if session.adapter_lost:
        _declare_unproven(rests, "the adapter is lost: nothing more can be sent or read")
        return rests
    await all_left(run)
    tell_all(run, quick)
    await _until_rest(run, rests, quick, known, power_may_be_cut=not isinstance(cause, LinkLost))
    for rest in rests:
        await _clear_load(run, rest)
    await _set_back(run)
    return rests


def record_rest(run: Run, rests: list[Rest]) -> None:
    """The last entries of the journal but one: what P17 asks, axis by axis."""
    for rest in rests:
        axis = rest.axis
        run.session.record(
            "at_rest" if rest.proven else "unproven",
            axis=axis.name,
            position=round(axis.position(), 4) if axis.readings else None,
            counts=axis.counts if axis.readings else None,
            energised=rest.energised,
            home_valid=axis.home_valid,
            load=rest.load,
            why=rest.why,
            next=rest.next_action(),
        )


def tell_all(run: Run, quick: bool) -> None:
    """One broadcast, then each node by itself: whoever missed the one hears the other (P13)."""
    families = {axis.plan.dialect: axis for axis in run.axes}
    for axis in families.values():
        run.session.traffic.tell(axis.drive.quick_stop_all() if quick else axis.drive.stop_all(), None)
    for axis in run.axes:
        _tell(run, axis, quick)


def _tell(run: Run, axis: Axis, quick: bool) -> None:
    run.session.traffic.tell(axis.drive.quick_stop() if quick else axis.drive.stop(), axis.plan.index)


async def all_left(run: Run) -> None:
    """Wait until everything handed over is on the wire, or for as long as a sound adapter could need at the most."""
    limit = run.session.now() + LEAVE_NS
    over: list[bool] = []

    def look(now: int) -> int | None:
        if run.session.link.unsent() == 0 or now >= limit or run.session.adapter_lost:
            over.append(True)
            return None
        return now + MS

    run.session.at(run.session.now() + MS, look)
    await run.session.turns(lambda: bool(over))


@dataclass(frozen=True, slots=True)
class Ramp:
    """
    What a stop may look like on one axis: with limited jerk the speed goes on rising for `rise_ns`, to `peak` at most
    (counts a second), and is down after `down_ns`.
    """

    peak: float
    rise_ns: int
    down_ns: int

    @classmethod
    def of(cls, axis: Axis, speed: float, quick: bool) -> "Ramp":
        """From a speed in counts a second, with the settings that the drive has."""
        steady, jerk = float(axis.stop_ramp), axis.jerk
        rise_s = steady / float(jerk) if jerk else 0.0  # from full acceleration down to none
        unseen_s = REACTION_NS / 2e9  # the speed was read up to two polls ago, and the stop is not there yet
        peak = speed + steady * (rise_s / 2 + unseen_s) * abs(axis.scale)
        slowing = float(axis.quick_stop_ramp if quick else axis.stop_ramp) * abs(axis.scale)
        down_s = rise_s + peak / slowing + (0.0 if quick else rise_s)
        return cls(peak, round(rise_s * 1e9), round(down_s * 1e9))


def _longest_ramp_ns(run: Run, quick: bool) -> int:
    """The time to rest from the speed limit, over all axes."""
    return max(Ramp.of(axis, axis.tolerance_counts(axis.plan.limits.speed), quick).down_ns for axis in run.axes)


async def _until_rest(run: Run, rests: list[Rest], quick: bool, known: int, *, power_may_be_cut: bool) -> None:
    """`known` is how many findings there were when the stop began: one more makes a controlled stop a quick one."""
    session = run.session
    since = session.now()
    limit = since + _longest_ramp_ns(run, quick) + MARGIN_NS
    for axis in run.axes:
        axis.coast()
    for poller in run.pollers:
        poller.on = True
    told = since
    ramps = {rest.axis.name: Ramp.of(rest.axis, rest.fastest, quick) for rest in rests}
    late_frames = session.link.unsent() > 0
    while session.now() < limit and not session.adapter_lost:
        now = session.now()
        if late_frames and session.link.unsent() == 0:  # something old has left only now: it may have been a start
            late_frames = False
            since = told = now
            tell_all(run, quick)
            for rest in rests:
                rest.lowest = math.inf
        if not quick and session.log.findings > known:  # a racked beam, a lost node: no time for a soft ramp (P14)
            quick, told = True, now
            tell_all(run, quick)
        for rest in rests:
            rest.proven = rest.axis.stands(since, rest.axis.plan.noise_counts) and not _frozen(rest)
            if power_may_be_cut and not rest.cut and _runs_away(rest, ramps[rest.axis.name], since):
                _cut_power(run, rest)
        if all(rest.proven for rest in rests) and not late_frames:
            break
        if now - told >= STOP_AGAIN_NS:
            told = now
            for rest in rests:
                if not rest.proven and abs(rest.axis.speed()) > SLOWING * rest.speed_at_stop:
                    _tell(run, rest.axis, quick)
        await session.turn()
    _judge(run, rests, late_frames)


def _note_way(rest: Rest, now: int) -> None:
    """From the speed at the stop: what was measured, or what the motion under way asks for, whichever is more."""
    axis, motion = rest.axis, rest.axis.motion
    speed = rest.speed_at_stop
    if motion is not None:
        asked = motion.profile.velocity((now - motion.late_ns - motion.lag_ns) * 1e-9)
        speed = max(speed, abs(asked * axis.scale))
    rest.fastest = speed
    rest.at_stop = axis.counts if axis.readings else None
    steepest = float(max(axis.quick_stop_ramp, axis.stop_ramp)) * abs(axis.scale)
    rest.way = speed**2 / (2 * steepest)


def _frozen(rest: Rest) -> bool:
    """
    Whether the reading may only repeat itself (P10): it has gone less than half of the way that the ramp needs, and
    does not change by a single count. A blocked axis shows the noise of its encoder, if it has any.
    """
    axis = rest.axis
    if rest.at_stop is None or rest.way < axis.noticeable_counts:
        return False
    short = abs(axis.counts - rest.at_stop) < rest.way / 2
    return short and len({reading.counts for reading in axis.readings}) == 1


def _runs_away(rest: Rest, ramp: Ramp, since: int) -> bool:
    """
    Faster than its ramp can explain, rising when every ramp falls, or not down when every ramp is over. Judged at the
    time of the last reading: of a node that fell silent nothing is known.
    """
    if not rest.axis.readings:
        return False
    after_ns = rest.axis.readings[-1].asked_ns - since
    speed, most = rest.axis.speed_bounds()
    if after_ns > ramp.rise_ns + REACTION_NS:
        rest.lowest = min(rest.lowest, most)
    return (
        speed > RUNAWAY_FACTOR * ramp.peak + RUNAWAY_COUNTS_PER_S
        or speed > RUNAWAY_FACTOR * rest.lowest + RUNAWAY_COUNTS_PER_S
        or (after_ns > 1.5 * ramp.down_ns + 3 * REACTION_NS and speed > RUNAWAY_COUNTS_PER_S)
    )


def _cut_power(run: Run, rest: Rest) -> None:
    """It runs away although it was told to stop: no power, and the brake, whatever it carries (P14)."""
    rest.cut = True
    axis = rest.axis
    run.session.record(
        "finding",
        rule="runaway",
        level="error",
        axis=axis.name,
        node=axis.plan.node,
        step=None if run.step is None else run.step.id,
        headline=f"{axis.name} does not slow down after the stop: its power is taken and its brake applied",
        help="",
    )
    for tell in axis.drive.cut_power():
        run.session.traffic.tell(tell, axis.plan.index)


def _judge(run: Run, rests: list[Rest], late_frames: bool) -> None:
    """An encoder that never changed on an axis that was told to move proves nothing (P10)."""
    for rest in rests:
        axis = rest.axis
        if not rest.proven:
            lane = run.session.traffic.lane(axis.plan.index)
            rest.why = "it does not answer" if lane.silent or lane.losses else "it was not seen to stand"
            if not lane.silent and _frozen(rest):
                rest.why = "its reading repeats itself where its ramp must show: it is blocked or its encoder frozen"
        elif axis.commanded and not axis.alive:
            rest.proven, rest.why = False, "its encoder was never seen to change, so that it stands proves nothing"
        elif late_frames and FrameClass.STARTS in run.session.traffic.handed_over:
            rest.proven, rest.why = False, "a frame that was handed over before the stop may still leave the adapter"
        else:
            rest.why = "three fresh, equal readings"


async def _set_back(run: Run) -> None:
    """What a step had set for a while, such as the torque limit while a beam is squared, is set back (P25)."""
    for index, (setting, raw) in run.restore.items():
        try:
            await run.session.run((index, run.axes[index].drive.write_setting(setting, raw)))
        except ChoreoError as failure:
            run.session.record(
                "command", axis=run.axes[index].name, verb=f"set {setting} back", frame="", outcome=failure.headline
            )


def _declare_unproven(rests: list[Rest], why: str) -> None:
    for rest in rests:
        rest.proven, rest.why = False, why
        rest.load = rest.axis.load_state


async def _clear_load(run: Run, rest: Rest) -> None:
    """Clear what the drive may hold, and let it say what it holds now (P2)."""
    axis = rest.axis
    if run.session.traffic.lane(axis.plan.index).silent or run.session.adapter_lost:
        rest.load = axis.load_state = "unknown"
        return
    try:
        await run.each([axis], lambda drive: drive.clear_load())
        (state,) = await run.states([axis])
    except ChoreoError as failure:
        rest.load = axis.load_state = "unknown"
        run.session.record("command", axis=axis.name, verb="clear_load", frame="", outcome=failure.headline)
        return
    rest.load = axis.load_state = "loaded" if state.loaded else "empty"
    rest.energised = state.enabled
    if state.homed is False:  # it may have started anew unheard (P17)
        axis.home_valid = False
    if not state.loaded:
        run.session.guard.unloaded(axis.plan.node)
