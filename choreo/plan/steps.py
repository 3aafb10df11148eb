"""What each verb of the recipe becomes: one resolver a class of step, listed in `RESOLVERS`."""

from collections.abc import Callable
from typing import Any

from choreo.plan import flow
from choreo.plan import input_steps as inputs
from choreo.plan.asked import window
from choreo.plan.homing import home
from choreo.plan.model import Disable, Dwell, Enable, Expect, LinkCheck, Trigger, WaitForPosition
from choreo.plan.motion import move, preload, started
from choreo.plan.predict import exactly
from choreo.plan.settings import configure
from choreo.plan.state import Resolving, Where
from choreo.recipe import flow_steps, input_steps
from choreo.recipe import steps as recipe


def link_check(resolving: Resolving, step: recipe.LinkCheckStep, where: Where) -> None:
    """Counted exchanges, all nodes side by side."""
    axes, exchanges = resolving.axes_of(step.link_check.axes), int(step.link_check.exchanges)
    predicted = exactly(resolving.times.exchanges(axes, exchanges))
    resolving.emit(step, where, LinkCheck(axes, exchanges), predicted, f"link check, {exchanges} exchanges")


def enable(resolving: Resolving, step: recipe.EnableStep, where: Where) -> None:
    """Power, brakes released."""
    axes = resolving.axes_of(step.enable)
    resolving.emit(step, where, Enable(axes), exactly(resolving.times.enable(axes)), f"enable {', '.join(step.enable)}")


def disable(resolving: Resolving, step: recipe.DisableStep, where: Where) -> None:
    """Brakes applied, power off. Positions stay as they are: a home outlives the power of the motor (P17)."""
    axes = resolving.axes_of(step.disable)
    rests_at_ns = max((resolving.states[axis].rests_at_ns for axis in axes), default=0)  # what was not waited for
    predicted = exactly(max(0, rests_at_ns - resolving.clock_ns) + resolving.times.disable(axes))
    resolving.emit(step, where, Disable(axes), predicted, f"disable {', '.join(step.disable)}")


def trigger(resolving: Resolving, step: recipe.TriggerStep, where: Where) -> None:
    """
    The start is a broadcast, so every load is in the plan's trigger, named or not; a check refuses a difference (P3).
    """
    moves = tuple(state.loaded for state in resolving.states if state.loaded is not None)
    predicted_ns = resolving.times.start()
    for one in moves:
        motion_ns = resolving.times.motion(one.axis, one.duration_ns)
        started(resolving, one, resolving.clock_ns + predicted_ns + motion_ns)
        resolving.states[one.axis].loaded = None
    resolving.emit(step, where, Trigger(moves), exactly(predicted_ns), f"trigger {', '.join(step.trigger)}")


def wait_for_position(resolving: Resolving, step: recipe.WaitForPositionStep, where: Where) -> None:
    """What is left of the motions that go on, and the settling."""
    action = resolving.once(step, lambda: _waiting(resolving, step))
    rests_at_ns = max((resolving.states[axis].rests_at_ns for axis in action.axes), default=0)
    predicted_ns = max(0, rests_at_ns - resolving.clock_ns) + resolving.times.arrival(action.settle_ns)
    label = f"wait for {', '.join(step.wait_for_position.axes)}"
    resolving.emit(step, where, action, exactly(predicted_ns), label)


def _waiting(resolving: Resolving, step: recipe.WaitForPositionStep) -> WaitForPosition:
    wait = step.wait_for_position
    axes = resolving.axes_of(wait.axes)
    within = tuple(window(resolving, axis, wait.within) for axis in axes)
    return WaitForPosition(axes, within, resolving.amounts.time_ns(wait.settle))


def dwell(resolving: Resolving, step: recipe.DwellStep, where: Where) -> None:
    """Exactly so long."""
    ns = resolving.amounts.time_ns(step.dwell)
    resolving.emit(step, where, Dwell(ns), exactly(ns), f"dwell {step.dwell.text}")


def expect(resolving: Resolving, step: recipe.ExpectStep, where: Where) -> None:
    """A fresh reading takes a poll and its reply."""
    expected = step.expect
    for axis in resolving.axes_of(expected.axis):
        plan = resolving.machine.axes[axis]
        position = resolving.amounts.travel(expected.position, plan.name, plan.unit)
        within = resolving.amounts.travel(expected.within, plan.name, plan.unit)
        if position is None or within is None:
            continue
        predicted = exactly(resolving.times.poll_ns + resolving.times.exchanges((axis,)))
        resolving.emit(step, where, Expect(axis, position, within), predicted, f"expect {plan.name}")


#: By class of step. What `flow.py` writes out, such as `repeat`, is not among them.
RESOLVERS: dict[type[recipe.Step], Callable[[Resolving, Any, Where], None]] = {
    recipe.LinkCheckStep: link_check,
    recipe.ConfigureStep: configure,
    recipe.EnableStep: enable,
    recipe.DisableStep: disable,
    recipe.HomeStep: home,
    recipe.PreloadStep: preload,
    recipe.TriggerStep: trigger,
    recipe.WaitForPositionStep: wait_for_position,
    recipe.MoveStep: move,
    recipe.DwellStep: dwell,
    recipe.ExpectStep: expect,
    input_steps.WaitForStep: inputs.wait_for,
    input_steps.MoveUntilStep: inputs.move_until,
    input_steps.SetOutputStep: inputs.set_output,
    flow_steps.ConfirmStep: flow.confirm,
    flow_steps.ResetFaultStep: flow.reset_fault,
}
