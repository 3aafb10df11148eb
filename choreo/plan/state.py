"""What is known while the steps are gone through: of each axis, and of the plan so far."""

from collections.abc import Callable, Hashable
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any, NamedTuple, TypeVar

from choreo.diagnostic import Span
from choreo.plan.amounts import Amounts, Findings
from choreo.plan.machine import Machine
from choreo.plan.model import Action, Anchor, AxisMove, Scope, StepPlan
from choreo.plan.predict import Predicted, Times
from choreo.plan.profiles import Profiles
from choreo.plan.rounding import Grid
from choreo.plan.signals import CERTAIN, Spread
from choreo.recipe.steps import Step
from choreo.units import NS_PER_S
from choreo.wire.words import Setting

T = TypeVar("T")


@dataclass(slots=True)
class AxisState:
    """One axis. Its offset is the target of its last started move, from where the next `by` goes on."""

    anchor: Anchor = Anchor.START
    offset: Fraction = Fraction(0)
    real: dict[Setting, Fraction] = field(default_factory=dict)  # what the settings really mean since configured
    places: dict[Setting, Span | None] = field(default_factory=dict)
    loaded: AxisMove | None = None
    rests_at_ns: int = 0  # by the plan's clock
    spread: Spread = CERTAIN  # how far from `offset` it may really be, after a move that an input ended


class Where(NamedTuple):
    """
    The number of a step as a reader of the recipe counts, the passes of the repeats around it, and the named parts of
    the run that it belongs to.
    """

    number: str
    passes: tuple[str, ...] = ()
    scopes: tuple[Scope, ...] = ()

    def __str__(self) -> str:
        return f"{self.number} ({', '.join(self.passes)})" if self.passes else self.number


class Resolving:
    """A plan in the making."""

    def __init__(self, machine: Machine, findings: Findings, pace: Fraction) -> None:
        self.machine = machine
        self.recipe = machine.recipe
        self.findings = findings
        self.amounts = Amounts(machine.recipe, findings)
        self.pace = pace
        self.times = Times(machine.axes, machine.dialects.by_name, machine.budget.bit_rate, machine.budget.poll_ns)
        self.profiles = Profiles(machine)
        self.states = tuple(AxisState() for _ in machine.axes)
        self.steps: list[StepPlan] = []
        self.clock_ns = 0
        self.settings_written = 0  # goes up with every `configure`
        self.rounded: dict[Hashable, list[int]] = {}  # raw values, by what was asked of which axes
        self.windows: dict[int, Fraction] = {}  # of arrival, by axis, where a step says nothing
        self.moves: dict[Hashable, tuple[AxisMove, ...]] = {}  # of stages met before
        self._kept: dict[int, Any] = {}

    def axes_of(self, names: "str | tuple[str, ...]") -> tuple[int, ...]:
        """Indices of the axes behind groups, in order of declaration."""
        return tuple(self.machine.index[name] for name in self.recipe.axes_of(names))

    def grid(self, axis: int, setting: Setting) -> Grid | None:
        """
        The raw unit of a setting, in the axis' unit or in per cent; None where the dialect does not have it.
        """
        scale = self.machine.dialect(axis).settings.get(setting)
        if scale is None:
            return None
        per_cent = setting is Setting.TORQUE_LIMIT
        return Grid.of(scale, Fraction(1) if per_cent else self.machine.axes[axis].counts_per_unit)

    def once(self, step: Step, make: Callable[[], T]) -> T:
        """What does not change however often a step is repeated: made the first time, then kept."""
        found: T | None = self._kept.get(id(step))
        if found is None:
            found = self._kept[id(step)] = make()
        return found

    def emit(
        self,
        step: Step,
        where: Where,
        action: Action,
        predicted: Predicted,
        label: str,
        name: str = "",
        timeout_ns: int | None = None,
    ) -> None:
        """
        One more step of the plan; the clock goes on by what it is expected to take. `timeout_ns` where it is not that
        of a motion, which a pace makes longer.
        """
        self.steps.append(
            StepPlan(
                id=len(self.steps),
                path=f"{where} {name}".rstrip(),
                verb=step.verb,
                label=str(step.label) if step.label else label,
                place=step.place,
                predicted_ns=predicted.expected_ns,
                timeout_ns=self._timeout_ns(step, predicted) if timeout_ns is None else timeout_ns,
                action=action,
                scopes=where.scopes,
                source=step.serial,
            )
        )
        self.clock_ns += predicted.expected_ns

    def _timeout_ns(self, step: Step, predicted: Predicted) -> int:
        """The step's own, longer in the measure in which the pace makes everything slower (P25), or the default."""
        if step.timeout is None:
            return default_timeout_ns(predicted.longest_ns)
        return (self.amounts.time_ns(step.timeout) / self.pace).__ceil__()


def default_timeout_ns(longest_ns: int) -> int:
    """One and a half times the longest that a step may take, and a second (P31)."""
    return -(-longest_ns * 3 // 2) + NS_PER_S
