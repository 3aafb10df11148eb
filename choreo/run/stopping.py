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
from collections.abc import Awaitable, Callable

from choreo.drive.conversation import Tell
from choreo.errors import ChoreoError, ExpectationFailed, LinkLost, OperatorStop
from choreo.run.axes import Axis
from choreo.run.context import SLOWING, STOP_AGAIN_NS, Run
from choreo.run.log import MS
from choreo.run.prepare.loads import note_empty, rules_of
from choreo.run.rests import Ramp, Rest, frozen, note_not_held, note_way, runs_away
from choreo.run.steps.holding import sag_allowed
from choreo.run.watch.inputs import level_word
from choreo.wire.words import FrameClass

#: How long frames that were handed over before the stop may take to leave before the stop goes on without them.
LEAVE_NS = 200 * MS
#: What an axis is given beyond its longest ramp before it is declared unproven.
MARGIN_NS = 1_000 * MS


#: What is found out about each axis when the stop has been sent, before its way to rest is judged.
Ask = Callable[[Run, list[Rest]], Awaitable[None]]


async def bring_to_rest(
    run: Run, cause: ChoreoError, *, quick: bool | None = None, ask: Ask | None = None
) -> list[Rest]:
    """
    Steps 1 to 4 of the sequence. Never raises for anything the machine does; bounded in time. The cause decides whether
    it is a quick stop, unless `quick` does.
    """
    session = run.session
    rests = [Rest(axis, speed_at_stop=abs(axis.speed())) for axis in run.axes]
    taken = session.begin_stopping()
    known = session.log.findings
    if quick is None:
        quick = not isinstance(cause, OperatorStop | ExpectationFailed)
    for rest in rests:
        note_way(rest, session.now())
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
    if ask is not None:
        await ask(run, rests)
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
            fault=rest.fault,
            why=rest.why,
            next=rest.next_action(),
            **_outputs(run, axis),
        )


def _outputs(run: Run, axis: Axis) -> dict[str, dict[str, str]]:
    """After a failure outputs stay as they are: how this run left those of a drive; nothing where it has none."""
    declared = [output for output in run.plan.outputs if output.axis == axis.plan.index]
    left = {
        output.name: level_word(run.outputs[output.index]) if output.index in run.outputs else "not switched"
        for output in declared
    }
    return {"outputs": left} if left else {}


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
            rest.proven = rest.axis.stands(since, rest.axis.plan.noise_counts) and not frozen(rest)
            if (
                power_may_be_cut
                and session.log.bus_lost is None
                and not rest.cut
                and runs_away(rest, ramps[rest.axis.name], since)
            ):
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
    gap_ns = run.plan.dialects[axis.plan.dialect].timing.gap_ns
    for place, tell in enumerate(axis.drive.cut_power()):
        if not gap_ns:
            run.session.traffic.tell(tell, axis.plan.index)
            continue
        for again_ns in (0, STOP_AGAIN_NS):  # a drive may miss what comes too soon after something else
            _tell_at(run, axis, tell, run.session.now() + again_ns + place * (gap_ns + MS))


def _tell_at(run: Run, axis: Axis, tell: Tell, due_ns: int) -> None:
    def due(now: int) -> None:
        run.session.traffic.tell(tell, axis.plan.index)

    run.session.at(due_ns, due)


def _judge(run: Run, rests: list[Rest], late_frames: bool) -> None:
    """An encoder that never changed on an axis that was told to move proves nothing (P10)."""
    for rest in rests:
        axis = rest.axis
        if _slipped(rest):
            axis.brake_holds = False
            note_not_held(rest)
        elif not rest.proven:
            lane = run.session.traffic.lane(axis.plan.index)
            rest.why = "it does not answer" if lane.silent or lane.losses else "it was not seen to stand"
            if not lane.silent and frozen(rest):
                rest.why = "its reading repeats itself where its ramp must show: it is blocked or its encoder frozen"
        elif run.plan.dialects[axis.plan.dialect].position_is == "demanded":
            rest.proven, rest.why = False, "its drive tells where it should be, not where it is: that proves nothing"
        elif axis.commanded and not axis.alive:
            rest.proven, rest.why = False, "its encoder was never seen to change, so that it stands proves nothing"
        elif late_frames and FrameClass.STARTS in run.session.traffic.handed_over:
            rest.proven, rest.why = False, "a frame that was handed over before the stop may still leave the adapter"
        else:
            rest.why = "three fresh, equal readings"


def _slipped(rest: Rest) -> bool:
    """Whether only its brake was to hold it, and it has moved all the same, be it to where it stands now (P15)."""
    axis = rest.axis
    return rest.at_stop is not None and axis.on_its_brake and abs(axis.counts - rest.at_stop) > sag_allowed(axis)


async def _set_back(run: Run) -> None:
    """What a step had set for a while, such as the torque limit while a beam is squared, is set back (P25)."""
    for (index, setting), raw in run.restore.items():
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
        axis.home_valid = False  # its power may be gone, and its home with it (P17)
        return
    try:
        await run.each([axis], lambda drive: drive.clear_load())
        (state,) = await run.states([axis])
    except ChoreoError as failure:
        rest.load = axis.load_state = "unknown"
        run.session.record("command", axis=axis.name, verb="clear_load", frame="", outcome=failure.headline)
        return
    rest.load = axis.load_state = _held(run, axis, state.loaded)
    rest.energised, rest.fault = state.enabled, state.fault
    if state.homed is False:  # it may have started anew unheard (P17)
        axis.home_valid = False
    if rest.load == "empty":
        note_empty(run, axis)


def _held(run: Run, axis: Axis, loaded: bool | None) -> str:
    """
    What a drive holds after it was told to drop it: its own word; where it has none for that, what its dialect says.
    """
    if loaded is not None:
        return "loaded" if loaded else "empty"
    return "empty" if "clear_load" in rules_of(run, axis).cleared_by else "unknown"
