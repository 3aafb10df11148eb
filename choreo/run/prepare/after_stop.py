"""
The beginning of a retreat: the machine must still be as the stopped run left it, or nothing is done.

Between the two runs somebody may have pushed an axis, switched a drive off and on, or homed it from elsewhere. Each of
these makes what the plan counts on untrue (practice.md P17).
"""

from fractions import Fraction

from choreo.drive.verbs import Status
from choreo.errors import MachineFault
from choreo.plan.model import Left
from choreo.run.axes import Axis
from choreo.run.context import Run, unexpected
from choreo.run.steps.power import take_reference

#: An axis with home may stand elsewhere than it was left by this part of its tracking limit: its brake may have given.
PUSHED = Fraction(1, 2)

_BEGIN_ANEW = "Look at the machine, and begin with the recipe itself: it homes before it moves to positions."


async def take_up(run: Run) -> None:
    """
    Compare every drive with what the plan counts on, and go on from there. Every axis has been read once.

    Raises:
        MachineFault: a drive has lost its home, was moved, or has other power than it was left with.
    """
    states = await run.states(run.axes)
    for axis, state, left in zip(run.axes, states, run.plan.left, strict=True):
        found = _changed(axis, state, left)
        if found is not None:
            raise found
        axis.enabled = state.enabled
        if state.brake_applied is not None:
            axis.braked = state.brake_applied
        if left.home_valid:
            axis.anchor_counts, axis.home_valid = 0, True
            run.session.guard.homed(axis.plan.node)
        else:
            axis.anchor_counts = axis.counts
            take_reference(run, axis, axis.counts)
        if axis.enabled:
            axis.stand(axis.counts)


def _changed(axis: Axis, state: Status, left: Left) -> MachineFault | None:
    if left.home_valid and state.homed is False:
        headline = "its drive has lost its home since the stop"
        return unexpected(axis, headline, "home-lost", _BEGIN_ANEW)
    if state.enabled is not left.energised:
        was, now = ("under power", "without") if left.energised else ("without power", "under power")
        return unexpected(axis, f"the stop left it {was}, and it is {now} now", "power-changed", _BEGIN_ANEW)
    away = abs(axis.counts - left.counts)
    if left.home_valid and away > axis.tolerance_counts(axis.plan.limits.tracking * PUSHED) + axis.plan.noise_counts:
        distance = f"{away / abs(axis.scale):.3g} {axis.plan.unit}"
        headline = f"it stands {distance} from where the stop left it"
        return unexpected(axis, headline, "moved-since", _BEGIN_ANEW)
    return None
