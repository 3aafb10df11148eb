"""From a recipe to a plan: every value exact, every `repeat` unrolled, every time predicted."""

from fractions import Fraction

from choreo.diagnostic import Finding, Refused
from choreo.plan.amounts import Findings
from choreo.plan.flow import Inside, go_through
from choreo.plan.inputs import find_demands
from choreo.plan.machine import Machine, find_machine
from choreo.plan.model import Left, Plan
from choreo.plan.state import Resolving
from choreo.plan.steps import RESOLVERS
from choreo.recipe.model import Recipe
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
        go_through(resolving, recipe.steps, Inside(), RESOLVERS)
        steps = len(resolving.steps)
        go_through(resolving, recipe.closing, Inside("closing "), RESOLVERS)
    return planned(resolving, steps, title=str(recipe.title)), list(findings)


def resolve_machine(recipe: Recipe) -> Plan:
    """
    The plan of nothing but a machine: no steps. `recipe` is what `choreo.recipe.load.load_machine` gives.

    Raises Refused with every finding about its axes, dialects and limits.
    """
    findings = Findings()
    machine = find_machine(recipe, findings)
    if machine is None:
        raise Refused(findings, recipe.sources)
    return planned(Resolving(machine, findings, Fraction(1)), 0, title=str(recipe.title))


def planned(
    resolving: Resolving, steps: int, *, title: str, retreat: str | None = None, left: tuple[Left, ...] = ()
) -> Plan:
    """The whole, when every step has been gone through: `steps` of them, then those of closing."""
    machine, recipe = resolving.machine, resolving.recipe
    return Plan(
        title=title,
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
        retreat=retreat,
        left=left,
        inputs=machine.inputs,
        outputs=machine.outputs,
        demands=find_demands(recipe),
        adapter_ns=machine.budget.adapter_ns,
    )


def _hashes(machine: Machine) -> dict[str, str]:
    found = {**machine.recipe.hashes, **machine.dialects.hashes}
    return {str(name): found[name] for name in sorted(found)}
