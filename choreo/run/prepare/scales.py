"""
Before anything can move: what each drive takes for a count is compared with the recipe's scale (practice.md P26).

An electronic ratio changes what a count is, and with it every position, speed and limit that the recipe gives.
"""

from choreo.errors import RecipeError
from choreo.run.axes import Axis
from choreo.run.context import Run
from choreo.units import show


async def compare_scales(run: Run) -> None:
    """
    Read the settings that the dialects name.

    Raises:
        RecipeError: a drive counts otherwise than the recipe says. Nothing has been set, nothing has moved.
    """
    asked = [axis for axis in run.axes if run.plan.dialects[axis.plan.dialect].scale_settings]
    if not asked:
        return
    wrong: list[RecipeError] = []
    for axis, raws in zip(asked, await run.each(asked, lambda drive: drive.read_scale()), strict=True):
        wrong += [error for name, raw in raws.items() if (error := _compare(run, axis, name, raw)) is not None]
    if wrong:
        raise wrong[0]


def _compare(run: Run, axis: Axis, name: str, raw: int) -> RecipeError | None:
    told = raw * run.plan.dialects[axis.plan.dialect].scale_settings[name].step
    wanted = axis.plan.scale[name]
    run.session.record("scale", axis=axis.name, setting=name, raw=raw, told=float(told), recipe=float(wanted))
    if told == wanted:
        return None
    return RecipeError(
        f"{axis.name}: its drive has {show(told, '')} {name.replace('_', ' ')}, and the recipe says "
        f"{show(wanted, '')}: every distance would be wrong by that ratio",
        rule="scale-differs",
        axis=axis.name,
        node=axis.plan.node,
        help="Correct the axis' `scale`, or the drive's own setting after the drive maker's instructions.",
    )
