"""A run with a fault, held against what must come of it. Complaints are sentences; none is a good run."""

from collections.abc import Iterator

from choreo.errors import Exit
from choreo.plan import model
from choreo.plan.model import Plan

from .cells import Cell, Facts, axes_of, steps_of
from .verdicts import VERDICTS, Proof, Verdict, When, Whose

#: What sends axes on their way.
MOVES = (model.Move, model.Trigger, model.Home)
#: After these it may be that no frame leaves any more: nobody is left who acknowledges one, the host's controller has
#: switched itself off after too many errors (facts.md A10), or a frame is stuck in the adapter in front of all (P7).
NOTHING_LEAVES = frozenset({
    "bus_off", "nodes_lost", "adapter_lost", "error_frames", "trigger_stuck", "late_request"
})  # fmt: skip
#: How the next safe action of an axis begins that could not be proven to stand.
STAY_CLEAR = "Stay clear"


def complaints(plan: Plan, cell: Cell, facts: Facts) -> list[str]:
    """Everything that is not as it must be."""
    found = list(any_run(facts, sorted(axis.name for axis in plan.axes)))
    if not facts.acted:
        if facts.ending.exit != Exit.DONE:
            found.append(f"the fault never acted, and the run ended with {facts.ending.exit}")
        return found
    kinds = [kind for _, kind, _ in facts.acted]
    verdict = VERDICTS[cell.kind if cell.kind in kinds else kinds[0]]  # one that another fault is there for may be idle
    found += _ends(plan, cell, facts, verdict)
    found += _left(plan, cell, facts, verdict)
    found += _harm(plan, cell, facts, verdict)
    return found


def any_run(facts: Facts, names: list[str]) -> Iterator[str]:
    """What every run owes, whatever happened (P13 to P17); `names` are those of the axes."""
    ending = facts.ending
    yield from facts.violations
    if ending.exit == Exit.INTERNAL or ending.bug:
        yield f"a bug in choreo: {ending.bug or ending.headline}"
    if ending.restless:
        yield f"{', '.join(ending.restless)} moved after the end though said to stand"
    if facts.after_the_last_stop:
        yield f"{', '.join(facts.after_the_last_stop)} after the last stop"
    if ending.exit == Exit.DONE:
        return
    if sorted(facts.next_actions) != names or not all(facts.next_actions.values()):
        yield f"the next safe action is not told of every axis: {facts.next_actions}"
    for axis in ending.unproven:
        if not facts.next_actions.get(axis, "").startswith(STAY_CLEAR):
            yield f"{axis} is unproven, and nobody is told to stay clear of it"
    lost = NOTHING_LEAVES & set(ending.faults) and sorted(ending.unproven) == names
    if not facts.all_told and not lost:
        yield "not every node was told to stop, one by one and by broadcast"
    if ending.step != (facts.step_at_stop or ""):
        yield f"step {ending.step!r} is named; {facts.step_at_stop!r} was under way when the stop began"


def _ends(plan: Plan, cell: Cell, facts: Facts, verdict: Verdict) -> Iterator[str]:
    ending = facts.ending
    may = {int(exit) for exit in verdict.ends} | (set() if must_end(plan, cell, facts, verdict) else {int(Exit.DONE)})
    if verdict.counted and ending.rule == "link-check" and ending.axis in own(plan, cell):
        return
    if ending.exit not in may:
        yield f"exit code {ending.exit} ({ending.rule}: {ending.headline}); {sorted(may)} expected: {verdict.why}"
        return
    if ending.exit == Exit.DONE:
        return
    if verdict.rules and ending.rule not in verdict.rules:
        yield f"rule {ending.rule!r}; one of {verdict.rules} expected: {verdict.why}"
    if verdict.whose is Whose.OWN and ending.axis not in own(plan, cell):
        yield f"axis {ending.axis!r} is named; one of {sorted(own(plan, cell))} expected ({ending.headline})"
    if verdict.finds and not any(rule == verdict.finds and axis in own(plan, cell) for rule, axis in facts.findings):
        yield f"{verdict.finds!r} of {cell.axis} was not found: {verdict.why}"
    named = {step.path: index for index, step in enumerate(steps_of(plan))}.get(ending.step, -1)
    if named < cell.index:
        yield f"step {ending.step!r} is named, before the fault's own"
    if verdict.soon_ms is not None and ending.exit != Exit.LINK:
        reaction = facts.reaction_ns
        if reaction is None or reaction > verdict.soon_ms * 1_000_000:
            yield f"the first stop came {reaction} ns after the fault; at most {verdict.soon_ms} ms expected"


def own(plan: Plan, cell: Cell) -> set[str]:
    """The names by which the axis of a fault may be called: its own, its pair's."""
    axis = next(axis for axis in plan.axes if axis.name == cell.axis)
    return {axis.name, axis.pair} - {None}


def must_end(plan: Plan, cell: Cell, facts: Facts, verdict: Verdict) -> bool:
    """Whether a run with this fault may not be done."""
    steps = steps_of(plan)
    match verdict.when:
        case When.ALWAYS:
            return True
        case When.MAYBE:
            return False
        case When.IF_IT_MOVES:
            return _sent_after(plan, cell, MOVES)
        case When.IF_IT_HOMES:
            return _sent_after(plan, cell, (model.Home,))
        case When.IF_CONFIGURED:
            return any(isinstance(step.action, model.Configure) for step in steps[: cell.index])
        case When.IF_POWERED:
            return _powered(plan, cell)
        case When.IF_THE_BRAKE_OPENS:
            return _sent_after(plan, cell, (model.Enable,))
        case When.IF_NOT_HOMING:
            homings = {step.path for step in steps if isinstance(step.action, model.Home)}
            return facts.acted_in not in homings  # it may have waited for a load of a later step
        case When.IF_IT_STANDS:
            near = steps[cell.index : cell.index + 2]
            return not any(isinstance(step.action, MOVES) and cell.axis in axes_of(plan, step) for step in near)
    raise AssertionError(verdict.when)


def _sent_after(plan: Plan, cell: Cell, actions: tuple[type, ...]) -> bool:
    """In a later step, or in this one if it has just begun."""
    steps = steps_of(plan)
    first = cell.index if cell.after_ns == 0 else cell.index + 1
    return any(isinstance(step.action, actions) and cell.axis in axes_of(plan, step) for step in steps[first:])


def _powered(plan: Plan, cell: Cell) -> bool:
    """When the step begins, and to its end."""
    powered = False
    for step in steps_of(plan)[: cell.index + 1]:
        concerned = cell.axis in axes_of(plan, step)
        if isinstance(step.action, model.Enable) and concerned and step is not steps_of(plan)[cell.index]:
            powered = True
        elif isinstance(step.action, model.Disable) and concerned:
            powered = False
    return powered


def _left(plan: Plan, cell: Cell, facts: Facts, verdict: Verdict) -> Iterator[str]:
    ending = facts.ending
    if ending.exit == Exit.DONE:
        return
    everyone = {axis.name for axis in plan.axes}
    may = {Proof.NONE: set(), Proof.OWN: {cell.axis}, Proof.ALL: everyone}[verdict.unproven]
    if not set(ending.unproven) <= may:
        yield f"{', '.join(sorted(set(ending.unproven) - may))} could not be proven to stand"
    if verdict.must and set(ending.unproven) != may:
        yield f"{', '.join(sorted(may - set(ending.unproven)))} was said to be proven to stand"


def _harm(plan: Plan, cell: Cell, facts: Facts, verdict: Verdict) -> Iterator[str]:
    for what in facts.ending.damage:
        if not (verdict.harm and any(what.startswith(f"{name} ") for name in own(plan, cell))):
            yield f"damage: {what}"
