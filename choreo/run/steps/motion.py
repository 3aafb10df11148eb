"""`preload`, `trigger`, `wait_for_position`, and `move`, which is all three."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction

from choreo.errors import InternalError, MachineFault
from choreo.motion.profile import Profile
from choreo.plan.model import Anchor, AxisMove, Move, Preload, Trigger, WaitForPosition
from choreo.run.axes import Axis, Motion
from choreo.run.context import Run, unexpected
from choreo.run.log import MS

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
    told = figures(float(part.target - part.start), part.speed, part.acceleration, part.jerk, part.profile)
    return Part(axis, axis.target_counts(part.target), part.speed_raw, part.profile, part.onset_ns, told)


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
    """Put the moves into the drives, all side by side. Absolute targets only: a load asked again is the same load."""
    for part in parts:
        part.axis.load_state = "unknown"  # until the drive has said so
    await run.session.run(
        *((part.axis.plan.index, part.axis.drive.preload(part.target_counts, part.speed_raw)) for part in parts)
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
    await prove_loads(run, loaded)
    session = run.session
    session.guard.allow_start(axis.plan.node for axis in loaded)
    for axis in loaded:
        axis.commanded = True
        axis.load_state = "unknown"
    with session.within(TRIGGER_LEAVES_WITHIN_NS, "the start trigger, which may still leave the adapter,"):
        left = await _leave(run, loaded[0])
    session.record(
        "trigger",
        axes=[axis.name for axis in loaded],
        frame=loaded[0].drive.start().frame.text(),
        started_ns=session.log.since_start(left),
    )
    for part in parts:
        _expect_motion(run, part, left)


async def _leave(run: Run, axis: Axis) -> int:
    """Send the start trigger; returns when it left, in the link's time."""
    left: list[int] = []
    run.session.traffic.tell(axis.drive.start(), None, left.append)
    await run.session.turns(lambda: bool(left))
    return left[0]


async def prove_loads(run: Run, loaded: Sequence[Axis]) -> None:
    """Ask every drive of the machine what it holds, also those that take no part (P1, P3)."""
    states = await run.states(run.axes)
    for axis, state in zip(run.axes, states, strict=True):
        if state.loaded is None:
            continue
        if state.loaded and axis not in loaded:
            raise unexpected(
                axis,
                "holds a load that this trigger does not name: the start would set it off",
                "load-stale",
                "Find out who loaded it. Clear it with the drive's own command before the next run.",
            )
        if not state.loaded and axis in loaded:
            axis.load_state = "empty"
            raise unexpected(
                axis,
                "holds no load any more, although it had accepted one",
                "load-lost",
                "Somebody else may command this drive, or it was reset. Nothing was started.",
            )


def _expect_motion(run: Run, part: Part, left_ns: int) -> None:
    axis = part.axis
    timing = run.plan.dialects[axis.plan.dialect].timing
    begin = axis.standing_at
    early = left_ns + timing.latch_ns
    axis.begin(Motion(axis.plan, part.profile, begin, part.target_counts, early, early + timing.cycle_ns))
    axis.load_state = "empty"
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
    while waiting:
        read = await run.session.reading()
        arrived = waiting.get(read)
        if arrived is not None and _settled(arrived, settle_ns):
            _note_arrival(run, arrived)
            del waiting[read]


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
