"""Steps that only wait or look."""

from choreo.errors import ExpectationFailed
from choreo.plan.model import Dwell, Expect
from choreo.run.context import Run


async def dwell(run: Run, action: Dwell) -> None:
    """Let time pass; everything stays watched."""
    await run.session.sleep(action.ns)


async def expect(run: Run, action: Expect) -> None:
    """
    Compare a fresh reading with what the recipe says.

    Raises:
        ExpectationFailed: the axis stands elsewhere. The run ends through stopping, with exit code 1.
    """
    axis = run.axes[action.axis]
    await run.fresh_readings([axis])
    position, unit = axis.position(), axis.plan.unit
    away = abs(position - float(action.position))
    if away > float(action.within):
        raise ExpectationFailed(
            f"{axis.name} stands at {position:.4f} {unit}, expected {float(action.position):g} {unit} "
            f"within {float(action.within):g} {unit}: {away:.4f} {unit} away",
            rule="expect",
            axis=axis.name,
            node=axis.plan.node,
        )
