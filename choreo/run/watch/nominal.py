"""
What a nominal machine's inputs do: there is no machine behind them, so what a recipe waits for comes true by itself.

An interlock reads on and what is required reads so from the beginning; what a `move_until` waits for comes half of the
way along; what a `wait_for` waits for comes shortly after the step has begun. Any other input reads off.
"""

from collections.abc import Iterator

from choreo.link.port import SimulatedCue, SimulatedInput
from choreo.plan.model import MoveUntil, Plan, StepPlan, WaitFor

#: How long after its step has begun an input comes that a `wait_for` waits for, beyond its debounce.
SHORTLY_NS = 200_000_000


def nominal_inputs(plan: Plan) -> tuple[SimulatedInput, ...]:
    """What every declared input reads at first."""
    wanted = dict.fromkeys(plan.demands.interlocks, True) | dict(plan.demands.required)
    return tuple(
        SimulatedInput(plan.axes[one.axis].name, one.bit, wanted.get(one.index, False) is one.active_high)
        for one in plan.inputs
    )


def nominal_cues(plan: Plan) -> tuple[SimulatedCue, ...]:
    """What an input does in each step that waits for one."""
    return tuple(cue for step in (*plan.steps, *plan.closing) for cue in _cues(plan, step))


def _cues(plan: Plan, step: StepPlan) -> Iterator[SimulatedCue]:
    action = step.action
    if not isinstance(action, WaitFor | MoveUntil):
        return
    one = plan.inputs[action.input]
    owner, level = plan.axes[one.axis].name, action.on is one.active_high
    if isinstance(action, WaitFor):
        yield SimulatedCue(step.path, owner, one.bit, level, after_ns=SHORTLY_NS)
    elif action.moves:
        move = action.moves[0]
        ends = zip(move.start_spread, move.target_spread, strict=True)
        way = min((move.target + end - move.start - begin for begin, end in ends), key=abs)
        moved = plan.axes[move.axis].name
        yield SimulatedCue(step.path, owner, one.bit, level, moved=moved, way=way)
