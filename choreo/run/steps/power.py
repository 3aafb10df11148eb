"""
`enable` and `disable`.

A vertical axis is never without both power and brake: after enabling, its brake is released and the axis watched for
sag; before disabling, the brake is applied and given its time to hold (practice.md P15, common practice, no source).
"""

from choreo.plan.model import Disable, Enable
from choreo.run.axes import Axis
from choreo.run.context import Run, unexpected
from choreo.run.log import MS
from choreo.run.prepare.loads import note_empty
from choreo.run.steps.holding import look_whether_held, sag_allowed, trusted
from choreo.run.steps.motion import over

#: How long an axis is given to stand after its power came, before its position is taken.
SETTLE_LIMIT_NS = 1_000 * MS


async def enable(run: Run, action: Enable) -> None:
    """
    Power on, brake released, a look for sag.

    Raises:
        MachineFault: a drive does not come on, or an axis sags by more than its brake's `sag` when released.
    """
    axes = run.pick(action.axes)
    for axis in axes:
        axis.enabled = axis.switching = True  # from the first frame on it is taken for powered, whatever comes of it
    await run.each(axes, lambda drive: drive.enable())
    for axis in axes:
        axis.switching = False
    await run.standstill(axes, SETTLE_LIMIT_NS)
    for axis in axes:
        if not axis.home_valid and not axis.commanded:  # it may have been pushed by hand since it was first read
            axis.anchor_counts = axis.counts
            take_reference(run, axis, axis.counts)
    braked = [axis for axis in axes if axis.plan.brake is not None]
    if braked:
        await release_brakes(run, braked)


def take_reference(run: Run, axis: Axis, counts: int) -> None:
    """An axis without home may go no farther than `unhomed` allows from where it was found (P21)."""
    axis.found_counts = counts
    run.session.guard.found_at(axis.plan.node, counts)


async def release_brakes(run: Run, axes: list[Axis]) -> None:
    """Release, give the brakes their time, and compare the positions."""
    before = {axis.name: axis.counts for axis in axes}
    for axis in axes:
        axis.braked = False
    await run.each(axes, lambda drive: drive.set_brake(False))
    await run.session.sleep(max(axis.plan.brake.release_ns for axis in axes if axis.plan.brake))
    await run.standstill(axes, SETTLE_LIMIT_NS)
    for axis in axes:
        brake = axis.plan.brake
        sag = abs(axis.counts - before[axis.name])
        if brake is not None and sag > sag_allowed(axis):
            distance = sag / abs(axis.scale)
            raise unexpected(
                axis,
                f"sagged by {distance:.3g} {axis.plan.unit} when its brake was released; "
                f"allowed are {float(brake.sag):g} {axis.plan.unit}",
                "sag",
                "The drive does not hold the load: look at its torque limit and its tuning before the next try.",
            )


async def disable(run: Run, action: Disable) -> None:
    """
    Brake first, its time to engage, then power off; not before what a trigger has started stands.

    Raises:
        MachineFault: an axis does not come to rest, or the brake of a vertical axis does not hold it without power.
    """
    axes = run.pick(action.axes)
    going = [axis for axis in axes if axis.motion is not None]
    if going:
        await run.session.until(lambda: all(over(axis) for axis in going))
        await run.standstill(going, SETTLE_LIMIT_NS)
    await disable_axes(run, axes)


async def disable_axes(run: Run, axes: list[Axis]) -> None:
    """
    The same for some axes, also after a stop.

    Raises:
        MachineFault: the brake of a vertical axis does not hold it without power.
    """
    braked = [axis for axis in axes if axis.plan.brake is not None and not axis.braked]
    if braked:
        await run.each(braked, lambda drive: drive.set_brake(True))
        await run.session.sleep(max(axis.plan.brake.engage_ns for axis in braked if axis.plan.brake))
        for axis in braked:
            axis.braked = True
    held_at = trusted(axes)
    for axis in axes:
        axis.switching = True
    await run.each(axes, lambda drive: drive.disable())
    for axis in axes:
        axis.enabled = axis.switching = False
        axis.target_known = True  # powered again it stands on its target (P1)
        if "disable" in run.plan.dialects[axis.plan.dialect].loads.cleared_by:
            note_empty(run, axis)
        if not axis.braked:
            axis.coast()  # without power and brake it may be pushed by hand
    await look_whether_held(run, axes, held_at)
