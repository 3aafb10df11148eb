"""
The plan of a sequence that is for the time after a stopped run (`after_stop: true`; practice.md P17).

It goes on from what the run left: an axis whose home is valid stands at a known position of the machine, every other at
nought of its own, under the limits of an axis without home. What `closing` does without moving anything is done at the
end, as after a failure.
"""

from collections.abc import Iterator, Sequence
from fractions import Fraction

from choreo.diagnostic import Finding
from choreo.plan.amounts import Findings
from choreo.plan.flow import Inside, go_through
from choreo.plan.machine import find_machine
from choreo.plan.model import Anchor, Enable, Home, Left, Move, MoveUntil, Plan, Preload, ResetFault, StepPlan
from choreo.plan.resolve import planned
from choreo.plan.state import Resolving, Where
from choreo.plan.steps import RESOLVERS
from choreo.recipe.model import Recipe
from choreo.recipe.steps import DisableStep
from choreo.text import Text
from choreo.text.memory import collecting_later


def resolve_after_stop(
    recipe: Recipe, name: str, left: Sequence[Left], pace: Fraction = Fraction(1)
) -> tuple[Plan | None, list[Finding]]:
    """The plan of the sequence `name`, which the recipe has, and what was found on the way; see `resolve`."""
    findings = Findings()
    machine = find_machine(recipe, findings)
    if machine is None:
        return None, list(findings)
    resolving = Resolving(machine, findings, pace)
    for one in left:
        if one.home_valid:
            state = resolving.states[one.axis]
            state.anchor, state.offset = Anchor.HOME, Fraction(one.counts) / machine.axes[one.axis].counts_per_unit
    sequence = recipe.sequences[Text(name)]
    with collecting_later():
        go_through(resolving, sequence.steps, Inside(f"{name} "), RESOLVERS)
        steps = len(resolving.steps)
        for number, step in enumerate(recipe.closing, start=1):
            if isinstance(step, DisableStep):
                RESOLVERS[DisableStep](resolving, step, Where(f"closing {number}"))
    _faults_reset(resolving, resolving.steps[:steps], left)
    plan = planned(resolving, steps, title=f"{recipe.title}: {name}", retreat=name, left=tuple(left))
    return plan, list(findings)


def _faults_reset(resolving: Resolving, steps: Sequence[StepPlan], left: Sequence[Left]) -> None:
    """A drive in fault is neither enabled nor moved before the sequence has reset it."""
    faulty = {one.axis: one.fault for one in left if one.fault}
    for step in steps:
        if isinstance(step.action, ResetFault):
            for axis in step.action.axes:
                faulty.pop(axis, None)
        for axis in _used(step):
            if axis in faulty:
                name, code = resolving.machine.axes[axis].name, faulty.pop(axis)
                resolving.findings.add(
                    "drive-in-fault",
                    f"the drive of {name} was left in fault (code {code}), and step {step.path} needs it",
                    step.place,
                    help=f"When its cause is gone: `- reset_fault: {{axes: {name}, confirm: ...}}` before this step.",
                )


def _used(step: StepPlan) -> Iterator[int]:
    action = step.action
    if isinstance(action, Enable | Home):
        yield from action.axes
    elif isinstance(action, Preload | MoveUntil):
        yield from (move.axis for move in action.moves)
    elif isinstance(action, Move):
        yield from (move.axis for group in action.groups for move in group)
