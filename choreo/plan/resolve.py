"""From a recipe to a plan: every value exact, every `repeat` unrolled, every time predicted."""

from collections.abc import Iterable
from fractions import Fraction

from choreo.diagnostic import Finding, Refused
from choreo.plan.amounts import Findings
from choreo.plan.machine import Machine, find_machine
from choreo.plan.model import Plan
from choreo.plan.state import Resolving, Where
from choreo.plan.steps import RESOLVERS
from choreo.recipe.model import Recipe
from choreo.recipe.steps import RepeatStep, Step
from choreo.text.memory import collecting_later
from choreo.units import show


def make_plan(recipe: Recipe, *, pace: Fraction = Fraction(1)) -> Plan:
    """
    The plan of a recipe. `pace` (above 0, at most 1) is a factor on the speeds of moves, never on their ramps (P25).

    Raises Refused with every finding. What a plan means for the machine is not judged here: see `choreo.checks`.
    """
    plan, findings = resolve(recipe, pace)
    if plan is None or findings:
        raise Refused(findings, recipe.sources)
    return plan


def resolve(recipe: Recipe, pace: Fraction = Fraction(1)) -> tuple[Plan | None, list[Finding]]:
    """
    The plan as far as it can be made, and what was found on the way; None when the machine itself is in question.

    A plan that comes with findings is good for checks, which find more, and for nothing else.
    """
    findings = Findings()
    if not 0 < pace <= 1:
        findings.add("pace", f"a pace of {show(pace, '')} is outside 0 to 1", None, help="1 is the full speed.")
        return None, list(findings)
    machine = find_machine(recipe, findings)
    if machine is None:
        return None, list(findings)
    resolving = Resolving(machine, findings, pace)
    with collecting_later():
        _resolve_all(resolving, recipe.steps, "", ())
        steps = len(resolving.steps)
        _resolve_all(resolving, recipe.closing, "closing ", ())
    return _plan(resolving, steps), list(findings)


def _resolve_all(resolving: Resolving, steps: Iterable[Step], prefix: str, passes: tuple[str, ...]) -> None:
    for number, step in enumerate(steps, start=1):
        if isinstance(step, RepeatStep):
            for turn in range(1, step.repeat + 1):
                _resolve_all(resolving, step.steps, f"{prefix}{number}.", (*passes, f"{turn} of {int(step.repeat)}"))
        else:
            RESOLVERS[type(step)](resolving, step, Where(f"{prefix}{number}", passes))


def _plan(resolving: Resolving, steps: int) -> Plan:
    machine, recipe = resolving.machine, resolving.recipe
    return Plan(
        title=str(recipe.title),
        machine=str(recipe.name),
        simulated=None if recipe.simulated is None else str(recipe.simulated),
        bit_rate=machine.budget.bit_rate,
        poll_ns=machine.budget.poll_ns,
        pace=resolving.pace,
        axes=machine.axes,
        pairs=machine.pairs,
        dialects=dict(machine.dialects.by_name),
        dialect_files=dict(machine.dialects.files),
        node_limits=machine.node_limits,
        steps=tuple(resolving.steps[:steps]),
        closing=tuple(resolving.steps[steps:]),
        parameters={str(name): str(text) for name, text in recipe.parameter_texts.items()},
        hashes=_hashes(machine),
    )


def _hashes(machine: Machine) -> dict[str, str]:
    found = {**machine.recipe.hashes, **machine.dialects.hashes}
    return {str(name): found[name] for name in sorted(found)}
