"""What a step is about to do, in words, for an operator who goes through a recipe step by step."""

from choreo.plan.model import Anchor, AxisMove, Configure, Home, Move, MoveUntil, Preload, StepPlan, Trigger
from choreo.run.context import Run
from choreo.units import show


def about_to(run: Run, step: StepPlan) -> str:
    """`step 11, To where the test begins: ...`: what will move, how far and how fast, or that nothing will."""
    name = step.label if step.label.startswith(step.verb) else f"{step.verb} {step.label}".strip()
    return f"Step {step.path}, {name}: {_what(run, step)}. To go on, type yes"


def _what(run: Run, step: StepPlan) -> str:
    action = step.action
    if isinstance(action, Move):
        return "moves " + ", then ".join("; ".join(_way(run, part) for part in group) for group in action.groups)
    if isinstance(action, Trigger):
        return "starts " + "; ".join(_way(run, part) for part in action.moves)
    if isinstance(action, Preload):
        return "loads, and moves nothing yet: " + "; ".join(_way(run, part) for part in action.moves)
    if isinstance(action, MoveUntil):
        return "moves, until an input ends it, " + "; ".join(_way(run, part) for part in action.moves)
    if isinstance(action, Home):
        return "homes " + ", ".join(_search(run, action, index) for index in action.axes)
    if isinstance(action, Configure):
        return "writes settings and moves nothing"
    moves = "changes the power or the brake" if step.verb in ("enable", "disable") else "moves nothing"
    return f"{moves}; {step.predicted_ns / 1e9:.1f} s predicted"


def _way(run: Run, part: AxisMove) -> str:
    axis = run.axes[part.axis].plan
    far, unit = show(abs(part.target - part.start), axis.unit, 3), axis.unit
    at = f"at {show(part.speed, unit + '/s', 3)}"
    if part.anchor is Anchor.HOME and not part.loose:
        return f"{axis.name} from {show(part.start, unit, 3)} to {show(part.target, unit, 3)} ({far}) {at}"
    return f"{axis.name} by {'-' if part.target < part.start else '+'}{far} {at}"


def _search(run: Run, action: Home, index: int) -> str:
    axis = run.axes[index].plan
    towards = "positive" if action.towards > 0 else "negative"
    search = show(action.search, f"{axis.unit}/s", 3)
    return f"{axis.name} in its {towards} direction at {search}, over {show(action.within, axis.unit, 3)} at the most"
