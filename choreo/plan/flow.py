"""
How a recipe flows, written out: repeats and lists gone through, calls entered, what is left out left out. What remains
are the steps of the plan, each resolved by its own resolver.

Paths are as a reader of the recipe counts: `9.3 (2 of 5)`, `9.1 (place 400 mm)`, `7 > touch 2`.
"""

from collections import Counter
from collections.abc import Callable, Iterable
from fractions import Fraction
from typing import Any, NamedTuple

from choreo.plan.model import Confirm, ResetFault, Scope
from choreo.plan.predict import RESET_EXCHANGES, exactly
from choreo.plan.state import Resolving, Where
from choreo.recipe import flow_steps as recipe
from choreo.recipe.scalars import Amount
from choreo.recipe.step import Step
from choreo.recipe.steps import RepeatStep
from choreo.units import NS_PER_S, UnitError

#: How long a question waits for its answer where the recipe says nothing.
PATIENCE_NS = 600 * NS_PER_S

Resolver = Callable[[Resolving, Any, Where], None]


class Inside(NamedTuple):
    """Where a list of steps stands: what comes before their numbers, the passes and the named parts around them."""

    prefix: str = ""
    passes: tuple[str, ...] = ()
    scopes: tuple[Scope, ...] = ()

    def at(self, number: int) -> Where:
        """A step of the list, counted from 1."""
        return Where(f"{self.prefix}{number}", self.passes, self.scopes)

    def within(self, number: int, *passes: str) -> "Inside":
        """The list beside a step of this one."""
        return Inside(f"{self.prefix}{number}.", (*self.passes, *passes), self.scopes)


def go_through(
    resolving: Resolving, steps: Iterable[Step], inside: Inside, resolvers: dict[type[Step], Resolver]
) -> None:
    """Resolve steps in the order in which they are carried out."""
    for number, step in enumerate(steps, start=1):
        if isinstance(step, RepeatStep):
            for turn in range(1, step.repeat + 1):
                go_through(resolving, step.steps, inside.within(number, f"{turn} of {int(step.repeat)}"), resolvers)
        elif isinstance(step, recipe.ForEachStep):
            for which, own in zip(_passes(resolving, step), step.steps, strict=True):
                go_through(resolving, own, inside.within(number, which), resolvers)
        elif isinstance(step, recipe.WhenStep):
            if _holds(resolving, step.when):
                go_through(resolving, step.steps, inside.within(number), resolvers)
        elif isinstance(step, recipe.RecordStep):
            beside = inside.within(number)
            scope = Scope(str(step.record), str(inside.at(number)))
            go_through(resolving, step.steps, beside._replace(scopes=(*inside.scopes, scope)), resolvers)
        elif isinstance(step, recipe.CallStep):
            called = inside._replace(prefix=f"{inside.prefix}{number} > {step.call} ")
            go_through(resolving, step.inside, called, resolvers)
        else:
            resolvers[type(step)](resolving, step, inside.at(number))


def _passes(resolving: Resolving, step: recipe.ForEachStep) -> list[str]:
    """What tells the passes of a list apart: the value, and where it comes again, how often it has come."""
    name, values = step.value
    texts = [f"{name} {_text(resolving, value)}" for value in values]
    seen: Counter[str] = Counter()
    found = []
    for text in texts:
        seen[text] += 1
        found.append(text if seen[text] == 1 else f"{text}, time {seen[text]}")
    return found


def _text(resolving: Resolving, value: str) -> str:
    """A value as a reader wants it: of a parameter, what it is set to."""
    return resolving.recipe.parameter_texts.get(value.removeprefix("$"), value) if value.startswith("$") else value


#: Verbs that are written out here and have no resolver of their own.
WRITTEN_OUT: frozenset[type[Step]] = frozenset(
    (RepeatStep, recipe.ForEachStep, recipe.WhenStep, recipe.RecordStep, recipe.CallStep)
)


def _holds(resolving: Resolving, when: recipe.When) -> bool:
    """Whether a condition is true; False with a finding where quantities cannot be compared."""
    value = resolving.recipe.quantity(when.value)

    def other(amount: Amount) -> Fraction | None:
        quantity = resolving.recipe.quantity(amount)
        try:
            return quantity.to(value.unit)
        except UnitError:
            headline = f"{value.text()} cannot be compared with {quantity.text()}"
            resolving.findings.add("unit", headline, amount.span, help=f"Give it in {value.unit}.")
            return None

    def is_true(amount: Amount | None, test: Callable[[Fraction, Fraction], bool]) -> bool:
        if amount is None:
            return True
        against = other(amount)
        return against is not None and test(value.value, against)

    return all(
        (
            is_true(when.equals, lambda own, against: own == against),
            is_true(when.above, lambda own, against: own > against),
            is_true(when.below, lambda own, against: own < against),
        )
    )


def confirm(resolving: Resolving, step: recipe.ConfirmStep, where: Where) -> None:
    """How long a person takes is not predicted."""
    question = str(step.confirm)
    resolving.emit(
        step, where, Confirm(question), exactly(0), f"confirm: {question}", timeout_ns=_patience(resolving, step)
    )


def reset_fault(resolving: Resolving, step: recipe.ResetFaultStep, where: Where) -> None:
    """The axis counts as without power afterwards; its home is looked at when the time has come."""
    axes = resolving.axes_of(step.reset_fault.axes)
    action = ResetFault(axes, str(step.reset_fault.confirm))
    predicted = exactly(resolving.times.exchanges(axes, RESET_EXCHANGES))
    label = f"reset fault of {', '.join(step.reset_fault.axes)}"
    resolving.emit(step, where, action, predicted, label, timeout_ns=_patience(resolving, step))


def _patience(resolving: Resolving, step: Step) -> int:
    return PATIENCE_NS if step.timeout is None else resolving.amounts.time_ns(step.timeout)
