"""
What drives hold until the start trigger: what is put in, what is proved, what a start leaves in them (practice.md P1 to
P4, common practice, no source).

A load that is kept at the trigger runs again at the next one, whoever it is for. So before each start every drive that
keeps its loads and takes no part is loaded with nothing: no way at all, or the place where it stands already. One
without power is emptied instead.
"""

from collections.abc import Sequence

from choreo.drive.conversation import Conversation
from choreo.drive.verbs import Status
from choreo.plan.rounding import lowest_raw
from choreo.run.axes import Axis
from choreo.run.context import Run, unexpected
from choreo.wire.dialect import LoadRules

#: What nobody can start together with others: said where a load cannot be cleared that must be.
_NO_WAY = "Look in the drive's manual for a command that clears a load, or keep this drive out of loads."


def rules_of(run: Run, axis: Axis) -> LoadRules:
    """What a loaded move is in the dialect of an axis."""
    return run.plan.dialects[axis.plan.dialect].loads


def loaded_value(run: Run, axis: Axis, target_counts: int) -> int:
    """
    What goes into the load: the place, or the way to it where the dialect loads relative moves. The guard is told from
    where, and judges the sum.

    Raises:
        MachineFault: the drive counts from its last target, which a stop has left unknown.
    """
    rules = rules_of(run, axis)
    if rules.relative_to == "never":
        if rules.at_trigger == "kept":
            _tell_guard(run, axis, _from(axis, rules))
        return target_counts
    if rules.relative_to == "target" and not axis.target_known:
        raise unexpected(
            axis,
            "its loads count from the drive's last target, which is not known after a stop in mid-move, or when the "
            "drive was under power before the run began",
            "load-base",
            "Disable and enable the axis: its target is then where it stands.",
        )
    begin = _from(axis, rules)
    _tell_guard(run, axis, begin)
    return target_counts - begin


def _from(axis: Axis, rules: LoadRules) -> int:
    """Where the axis will stand when the load is started."""
    if axis.motion is not None:
        return axis.motion.target_counts
    return axis.counts if rules.relative_to == "actual" else axis.standing_at


def _tell_guard(run: Run, axis: Axis, counts: int) -> None:
    run.session.guard.stands_at(axis.plan.node, counts, axis.plan.noise_counts)


async def make_room(run: Run, axes: Sequence[Axis]) -> None:
    """Clear what the last start left in a drive, where a second load would not simply take its place."""
    await clear(run, [axis for axis in axes if axis.load_kept and rules_of(run, axis).second_load != "replaces"])


async def clear(run: Run, axes: Sequence[Axis]) -> None:
    """
    Empty these drives of what the last start left in them.

    Raises:
        MachineFault: the dialect's `clear_load` clears none.
    """
    for axis in axes:
        if "clear_load" not in rules_of(run, axis).cleared_by:
            raise unexpected(axis, "keeps its load at the trigger, and nothing clears it", "load-kept", _NO_WAY)
    if not axes:
        return
    await run.each(axes, lambda drive: drive.clear_load())
    for axis in axes:
        note_empty(run, axis)


def note_empty(run: Run, axis: Axis) -> None:
    """The drive has said, or its dialect does, that it holds nothing."""
    axis.load_state, axis.load_kept = "empty", False
    run.session.guard.unloaded(axis.plan.node)


async def load_idle(run: Run, loaded: Sequence[Axis]) -> list[Axis]:
    """
    Load every drive that keeps loads and takes no part with nothing; returns which are. One without power is emptied.

    Raises:
        MachineFault: one of them is under way, so that there is no place where it stands.
    """
    others = [
        axis
        for axis in run.axes
        if axis not in loaded and rules_of(run, axis).at_trigger == "kept" and _hears(run, axis, loaded[0])
    ]
    if not others:
        return []
    states: list[Status] = await run.states(others)
    idle = [axis for axis, state in zip(others, states, strict=True) if state.enabled]
    for axis in idle:
        if axis.motion is not None:
            raise unexpected(
                axis,
                "is still under way, and this start would run its load again",
                "load-kept",
                "Wait for it before the next trigger: its drive keeps its load.",
            )
    await clear(run, [axis for axis, state in zip(others, states, strict=True) if not state.enabled and state.loaded])
    for axis, state in zip(others, states, strict=True):
        if not state.enabled and not state.loaded:
            note_empty(run, axis)
    await make_room(run, idle)
    await run.session.run(*((axis.plan.index, _nothing(run, axis)) for axis in idle))
    for axis in idle:
        axis.load_state = "loaded"
    return idle


def _hears(run: Run, axis: Axis, started: Axis) -> bool:
    """Whether the start of the one is a start for the other."""
    if axis.plan.dialect == started.plan.dialect:
        return True
    frames = [run.plan.dialects[each.plan.dialect].start_frame for each in (axis, started)]
    return frames[0] is not None and frames[0] == frames[1]


def _nothing(run: Run, axis: Axis) -> Conversation[None]:
    dialect = run.plan.dialects[axis.plan.dialect]
    begin = _from(axis, dialect.loads)
    _tell_guard(run, axis, begin)
    here = begin if dialect.loads.relative_to == "never" else 0
    axis.load_state = "unknown"
    return axis.drive.preload_nothing(here, lowest_raw(dialect.move_speed))


async def prove_loads(run: Run, loaded: Sequence[Axis], idle: Sequence[Axis] = ()) -> None:
    """
    Ask every drive of the machine what it holds, also those that take no part (P1, P3).

    Raises:
        MachineFault: a load is missing, or there is one that this start does not name.
    """
    states = await run.states(run.axes)
    for axis, state in zip(run.axes, states, strict=True):
        if state.loaded is None:
            continue
        wanted = axis in loaded or axis in idle
        if state.loaded and not wanted:
            raise unexpected(
                axis,
                "holds a load that this trigger does not name: the start would set it off",
                "load-stale",
                "Find out who loaded it. Clear it with the drive's own command before the next run.",
            )
        if not state.loaded and wanted:
            axis.load_state = "empty"
            raise unexpected(
                axis,
                "holds no load any more, although it had accepted one",
                "load-lost",
                "Somebody else may command this drive, or it was reset. Nothing was started.",
            )


def note_started(run: Run, axes: Sequence[Axis]) -> None:
    """The start has left: a drive holds its load on, or nothing."""
    for axis in axes:
        axis.load_kept = rules_of(run, axis).at_trigger == "kept"
        axis.load_state = "loaded" if axis.load_kept else "empty"
        axis.target_known = True
