"""
Whether the brake of a vertical axis holds it once its power is gone (practice.md P15, common practice, no source).
"""

from collections.abc import Mapping

from choreo.plan.conduct import HOLD_LOOK_NS
from choreo.run.axes import Axis
from choreo.run.context import Run, unexpected


def sag_allowed(axis: Axis) -> float:
    """By how many counts two readings may differ when a brake has closed or opened in between."""
    return axis.tolerance_counts(axis.plan.brake.sag) + axis.plan.noise_counts if axis.plan.brake else 0.0


def trusted(axes: list[Axis]) -> dict[str, int]:
    """The axes that only their brake will hold when their power is taken, and where they stand."""
    return {axis.name: axis.counts for axis in axes if axis.plan.vertical and axis.braked and axis.enabled}


async def look_whether_held(run: Run, axes: list[Axis], before: Mapping[str, int]) -> None:
    """
    A brake that does not hold shows only without power. The power then comes back at once, so that the drive holds the
    axis where it is; after a stop it does not, because nothing is enabled any more then.

    Raises:
        MachineFault: an axis moved by more than its brake's `sag`.
    """
    watched = [axis for axis in axes if axis.name in before]
    if not watched:
        return
    session = run.session
    until = session.now() + HOLD_LOOK_NS
    while session.now() < until and not any(_moved(axis, before) for axis in watched):
        await session.reading()
    slipping = [axis for axis in watched if _moved(axis, before)]
    for axis in slipping:
        axis.brake_holds = False
    if slipping:
        await _not_held(run, slipping, before)


def _moved(axis: Axis, before: Mapping[str, int]) -> bool:
    return abs(axis.counts - before[axis.name]) > sag_allowed(axis)


async def _not_held(run: Run, slipping: list[Axis], before: Mapping[str, int]) -> None:
    """All that slip get their power back at once, whichever of them is named."""
    axis = slipping[0]
    moved = abs(axis.counts - before[axis.name]) / abs(axis.scale)
    headline = f"moved by {moved:.3g} {axis.plan.unit} after its power was taken: its brake does not hold it"
    if not run.session.stopping:
        for each in slipping:
            each.enabled = each.switching = True
            each.coast()
        await run.each(slipping, lambda drive: drive.enable())
        for each in slipping:
            each.switching = False
        headline += "; it is under power again"
    raise unexpected(
        axis,
        headline,
        "brake-slips",
        "Support what it carries before its power is taken again. Have the brake seen to before the next run.",
    )
