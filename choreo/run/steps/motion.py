"""`preload`, `trigger`, `wait_for_position`, and `move`, which is all three."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction

from choreo.errors import InternalError, MachineFault
from choreo.frame import Frame
from choreo.motion.profile import Profile, move_profile
from choreo.plan.model import Anchor, AxisMove, Move, Preload, Trigger, WaitForPosition
from choreo.plan.onset import noticeable, onset_limit_ns
from choreo.plan.predict import TAIL_TIME_CONSTANTS
from choreo.plan.signals import CERTAIN
from choreo.run.axes import Axis, Motion
from choreo.run.context import Run
from choreo.run.lateness import LATE_NS
from choreo.run.log import MS, seconds
from choreo.run.prepare.loads import load_idle, loaded_value, make_room, note_started, prove_loads
from choreo.run.prepare.speeds import keep_speeds, set_speeds_back

#: A trigger that has not left the adapter by then may leave at any time later: the run stops (P7).
TRIGGER_LEAVES_WITHIN_NS = 50 * MS


@dataclass(frozen=True, slots=True)
class Part:
    """One axis' part of a motion, in counts: what is loaded, and what is then expected of the axis."""

    axis: Axis
    target_counts: int
    speed_raw: int
    profile: Profile
    onset_ns: int | None
    figures: Mapping[str, float | int | None]  # speed, acceleration, jerk and the like, for the journal


async def preload(run: Run, action: Preload) -> None:
    """Load every move; each drive proves that it holds its own (P4)."""
    await load(run, [planned(run, part) for part in action.moves])


async def trigger(run: Run, action: Trigger) -> None:
    """Broadcast the start for exactly the loads that the step names."""
    await start(run, [planned(run, part) for part in action.moves])


async def wait_for_position(run: Run, action: WaitForPosition) -> None:
    """Wait until each axis has stayed within its window around its target for the settling time."""
    axes = run.pick(action.axes)
    windows = [axis.tolerance_counts(within) for axis, within in zip(axes, action.within, strict=True)]
    await arrive(run, axes, windows, action.settle_ns)


async def move(run: Run, action: Move) -> None:
    """Each group is loaded, started and waited for, one group after the other."""
    for group in action.groups:
        parts = [planned(run, part) for part in group]
        windows = [part.axis.tolerance_counts(action.within[part.axis.plan.index]) for part in parts]
        await travel(run, parts, windows, action.settle_ns)


async def travel(run: Run, parts: Sequence[Part], windows: Sequence[float], settle_ns: int) -> None:
    """Load, start together, arrive."""
    await load(run, parts)
    await start(run, parts)
    await arrive(run, [part.axis for part in parts], windows, settle_ns)


def planned(run: Run, part: AxisMove) -> Part:
    """What the plan says of one axis' move, in the counts of this run."""
    axis = run.axes[part.axis]
    if axis.home_valid != (part.anchor is Anchor.HOME):
        raise InternalError(f"{axis.name}: the plan counts from {part.anchor}, the run from elsewhere")
    if part.loose:
        return _from_where_it_stands(run, axis, part)
    told = figures(float(part.target - part.start), part.speed, part.acceleration, part.jerk, part.profile)
    return Part(axis, axis.target_counts(part.target), part.speed_raw, part.profile, part.onset_ns, told)


def _from_where_it_stands(run: Run, axis: Axis, part: AxisMove) -> Part:
    """An input ended its last move: the plan knows within which bounds it stands, the run knows where."""
    off = Fraction(0) if part.target_spread == CERTAIN else axis.off
    target = axis.target_counts(part.target + off)
    distance = (target - axis.standing_at) / axis.scale
    profile = move_profile(distance, part.speed, part.acceleration, part.jerk)
    onset = onset_limit_ns(
        profile,
        noticeable(axis.plan),
        run.plan.dialects[axis.plan.dialect].timing,
        lag_ns=axis.plan.lag_ns,
        poll_ns=run.plan.poll_ns,
        reply_ns=axis.plan.reply_timeout_ns,
    )
    told = figures(distance, part.speed, part.acceleration, part.jerk, profile)
    return Part(axis, target, part.speed_raw, profile, onset, told)


def figures(
    distance: float, speed: Fraction, acceleration: Fraction, jerk: Fraction | None, profile: Profile
) -> dict[str, float | int | None]:
    """What the journal holds of a move, so that its profile can be computed again: the axis' unit and seconds."""
    return {
        "distance": distance,
        "speed": float(speed),
        "acceleration": float(acceleration),
        "jerk": None if jerk is None else float(jerk),
        "duration_ns": round(profile.duration * 1e9),
    }


async def load(run: Run, parts: Sequence[Part]) -> None:
    """Put the moves into the drives, all side by side: absolute targets wherever the drive allows (P1)."""
    await make_room(run, [part.axis for part in parts])
    values = [loaded_value(run, part.axis, part.target_counts) for part in parts]
    await keep_speeds(run, [part.axis for part in parts])
    for part in parts:
        part.axis.load_state = "unknown"  # until the drive has said so
    await run.session.run(
        *(
            (part.axis.plan.index, part.axis.drive.preload(value, part.speed_raw))
            for part, value in zip(parts, values, strict=True)
        )
    )
    for part in parts:
        part.axis.load_state = "loaded"


async def start(run: Run, parts: Sequence[Part]) -> None:
    """
    Prove that exactly these axes hold a load (P3), broadcast the start, and set the watchers on every axis.

    Raises:
        MachineFault: a load is missing or one too many, or the trigger did not leave in time.
    """
    loaded = [part.axis for part in parts]
    idle = await load_idle(run, loaded)
    await prove_loads(run, loaded, idle)
    session = run.session
    session.guard.allow_start((axis.plan.node for axis in loaded), (axis.plan.node for axis in idle))
    with session.traffic.hushed():  # nodes that must not be spoken to yet
        await session.turns(session.traffic.may_broadcast)
        for axis in loaded:
            axis.commanded = True
            axis.load_state = "unknown"
        start, left = await _leave(run, loaded)
    note_started(run, [*loaded, *idle])
    session.record(
        "trigger",
        axes=[axis.name for axis in loaded],
        frame=start.text(),
        started_ns=session.log.since_start(left),
    )
    for part in parts:
        _expect_motion(run, part, left)


async def _leave(run: Run, axes: Sequence[Axis]) -> tuple[Frame, int]:
    """
    Send the start trigger; returns it as it was sent, and when it left, in the link's time.

    Raises:
        MachineFault: it is stuck in the adapter, and may leave at any time later (P7).
    """
    session = run.session
    left: list[int] = []
    late: list[bool] = []
    frame, _ = session.traffic.tell(axes[0].drive.start(), None, left.append)
    limit_ns = TRIGGER_LEAVES_WITHIN_NS + run.plan.adapter_ns
    due_ns, once_more = session.now() + limit_ns, [limit_ns]

    def give_up(now: int) -> int | None:
        if once_more and now - due_ns > LATE_NS:  # choreo was held up, and with it perhaps the sending
            return now + once_more.pop()
        late.append(True)
        return None

    session.at(due_ns, give_up)
    await session.turns(lambda: bool(left or late))
    if left:
        return frame, left[0]
    raise MachineFault(
        f"the start trigger has not left the adapter within {seconds(limit_ns)}: "
        f"{', '.join(axis.name for axis in axes)} may have started, or may start when it leaves",
        rule="trigger-unconfirmed",
        help="Stay clear until the adapter is unplugged: it may hold frames. Then look for what holds up the bus.",
    )


def _expect_motion(run: Run, part: Part, left_ns: int) -> None:
    axis = part.axis
    timing = run.plan.dialects[axis.plan.dialect].timing
    begin = axis.standing_at
    early = left_ns + timing.latch_ns
    axis.begin(Motion(axis.plan, part.profile, begin, part.target_counts, early, early + timing.cycle_ns))
    if part.onset_ns is not None:
        axis.onset_by_ns = left_ns + part.onset_ns
    run.session.record(
        "move",
        axis=axis.name,
        anchor_counts=axis.anchor_counts,
        from_counts=begin,
        target_counts=part.target_counts,
        t0=run.session.log.since_start(early),
        **part.figures,
    )


async def arrive(run: Run, axes: Sequence[Axis], windows: Sequence[float], settle_ns: int) -> None:
    """
    Wait until every axis has been inside its window for `settle_ns` without a break, after its profile has ended.

    Raises:
        MachineFault: an axis was never told to move (its target is not known).
    """
    for axis, window in zip(axes, windows, strict=True):
        target = axis.motion.target_counts if axis.motion is not None else axis.stand_counts
        if target is None:
            raise MachineFault(f"{axis.name} has no target to wait for", rule="no-target", axis=axis.name)
        axis.inside_since_ns = None
        axis.window = (round(target - window), round(target + window))
    waiting = {axis.plan.index: axis for axis in axes}
    with run.session.waiting_for(lambda: [axis.name for axis in waiting.values()]):
        while waiting:
            read = await run.session.reading()
            arrived = waiting.get(read)
            if arrived is not None and _settled(arrived, settle_ns):
                _note_arrival(run, arrived)
                del waiting[read]
    await set_speeds_back(run, axes)


def over(axis: Axis) -> bool:
    """Whether an axis was read after it had settled at the end of its way."""
    if axis.motion is None or not axis.readings:
        return False
    return axis.readings[-1].asked_ns >= axis.motion.end_ns + TAIL_TIME_CONSTANTS * axis.plan.lag_ns


def _settled(axis: Axis, settle_ns: int) -> bool:
    since = axis.inside_since_ns
    if since is None or not axis.readings:
        return False
    last = axis.readings[-1]
    ended = axis.motion is None or (axis.onset_by_ns is None and last.asked_ns >= axis.motion.end_ns)
    return ended and last.arrived_ns - since >= settle_ns


def _note_arrival(run: Run, axis: Axis) -> None:
    session, motion = run.session, axis.motion
    if motion is not None:
        first = axis.inside_since_ns or 0
        session.record("arrived", axis=axis.name, after_ns=first - motion.early_ns)
    session.record("settled", axis=axis.name, counts=axis.counts)
    axis.window = None
    axis.stand(motion.target_counts if motion is not None else axis.counts)
