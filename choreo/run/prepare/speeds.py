"""
Speeds of moves where a drive takes them from a setting: what the setting was before is kept, and set back when the axis
has come to rest, so that a move's own speed is its own and no later one's (P25).

What could not be set back in time is set back when the run ends, however it ends: `Run.restore` holds it until then.
"""

from collections.abc import Sequence

from choreo.plan.conduct import LOOK_NS
from choreo.run.axes import Axis
from choreo.run.context import Run
from choreo.wire.words import Setting


async def keep_speeds(run: Run, axes: Sequence[Axis]) -> None:
    """Before their loads, which write the setting."""
    unknown = [axis for axis in axes if axis.drive.speed_is_set and _key(axis) not in run.restore]
    if not unknown:
        return
    for axis, raw in zip(
        unknown, await run.each(unknown, lambda drive: drive.read_setting(Setting.SPEED)), strict=True
    ):
        run.restore[_key(axis)] = raw


async def set_speeds_back(run: Run, axes: Sequence[Axis]) -> None:
    """After they have come to rest: a drive may refuse a setting until then."""
    kept = [axis for axis in axes if _key(axis) in run.restore]
    if not kept:
        return
    while any(state.moving for state in await run.states(kept)):
        await run.session.sleep(LOOK_NS)
    await run.session.run(
        *((axis.plan.index, axis.drive.write_setting(Setting.SPEED, run.restore[_key(axis)])) for axis in kept)
    )
    for axis in kept:
        del run.restore[_key(axis)]


def _key(axis: Axis) -> tuple[int, Setting]:
    return axis.plan.index, Setting.SPEED
