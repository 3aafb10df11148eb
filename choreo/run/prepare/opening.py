"""
Before the first step that could set anything off: every drive is brought to a known, empty load (practice.md P2).

A load that an earlier run left behind is started by the next trigger of anybody. It is reported even though it is gone.
"""

from choreo.run.axes import Axis
from choreo.run.context import Run, unexpected
from choreo.run.prepare.loads import note_empty


async def clear_loads(run: Run) -> None:
    """
    Ask, clear, ask again.

    Raises:
        MachineFault: a drive still holds a load after it was told to drop it, or is in fault.
    """
    axes = list(run.axes)
    before = await run.states(axes)
    for axis, state in zip(axes, before, strict=True):
        if state.fault:
            raise unexpected(
                axis,
                f"its drive is in fault: {state.fault_text or f'code {state.fault}'}",
                "drive-fault",
                "Nothing is reset unasked. Find the cause, reset the fault at the drive, and start again.",
            )
    await run.each(axes, lambda drive: drive.clear_load())
    after = await run.states(axes)
    for axis, old, new in zip(axes, before, after, strict=True):
        _note(run, axis, found=bool(old.loaded), left=bool(new.loaded))
        axis.target_known = not old.enabled  # powered from now on it stands on its target (P1)
        if new.loaded:
            raise unexpected(
                axis,
                "still holds a load of an earlier run after it was told to drop it",
                "load-stale",
                "Switch the drive off and on before anything is started on this bus.",
            )


def _note(run: Run, axis: Axis, *, found: bool, left: bool) -> None:
    axis.load_state = "loaded"
    if not left:
        note_empty(run, axis)
    run.session.record("loads", axis=axis.name, found=found, left=left)
