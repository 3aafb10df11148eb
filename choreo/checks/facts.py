"""What the rules read."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property
from typing import Protocol

from choreo.checks.scenes import Axes, Scene, loaded_by, scenes
from choreo.diagnostic import Finding, Level, Span
from choreo.plan.budget import Budget, budget
from choreo.plan.flow import WRITTEN_OUT
from choreo.plan.inputs import polled
from choreo.plan.model import AxisMove, AxisPlan, Home, Plan
from choreo.plan.rounding import Grid
from choreo.recipe.model import Recipe
from choreo.recipe.scalars import Amount
from choreo.recipe.step import Step
from choreo.text import Text
from choreo.units import UnitError, show
from choreo.wire.dialect import Dialect
from choreo.wire.words import Setting


class Check(Protocol):
    """A rule: a module with these names. Its docstring is its manual."""

    @property
    def ID(self) -> str:
        """Readable, stable, reads well after "allow"."""

    @property
    def LEVEL(self) -> Level:
        """Of all its findings."""

    @property
    def READS(self) -> type[Recipe] | type[Plan]:
        """Whether it needs a plan."""

    def check(self, facts: "Facts", /) -> Iterator[Finding]:
        """The findings, in any order."""
        ...


@dataclass
class Facts:
    """A recipe and its plan, with what several rules want of them. A rule that reads the recipe only gets no plan."""

    recipe: Recipe
    known_plan: Plan | None

    @property
    def plan(self) -> Plan:
        """The plan, for rules that read it."""
        assert self.known_plan is not None
        return self.known_plan

    @cached_property
    def _scenes(self) -> tuple[tuple[Scene, ...], Axes]:
        return scenes(self.plan)

    @property
    def scenes(self) -> tuple[Scene, ...]:
        """Every step of the plan, and the axes as it begins."""
        return self._scenes[0]

    @property
    def in_the_end(self) -> Axes:
        """The axes after the last step, closing included."""
        return self._scenes[1]

    @cached_property
    def written_steps(self) -> tuple[Step, ...]:
        """
        The steps of the recipe as they are written, each once, what stands inside of a step behind it; those of a
        sequence where it is first called, or after all others.
        """
        lists = [self.recipe.steps, self.recipe.closing]
        lists += [sequence.steps for sequence in self.recipe.sequences.values()]
        return tuple(_every((step for steps in lists for step in steps), set()))

    @cached_property
    def steps(self) -> tuple[Step, ...]:
        """Those of them that do something themselves."""
        return tuple(step for step in self.written_steps if type(step) not in WRITTEN_OUT)

    @cached_property
    def _by_serial(self) -> dict[int, Step]:
        return {step.serial: step for step in self.steps}

    def written(self, scene: Scene) -> Step:
        """The recipe's step behind a step of the plan."""
        return self._by_serial[scene.step.source]

    @cached_property
    def budget(self) -> Budget:
        """The bus under polling."""
        dialects = [self.plan.dialects[axis.dialect] for axis in self.plan.axes]
        plan = self.plan
        return budget(dialects, plan.bit_rate, plan.poll_ns, polled(plan.inputs, dialects), plan.adapter_ns)

    def dialect(self, axis: int) -> Dialect:
        """What an axis speaks."""
        return self.plan.dialects[self.plan.axes[axis].dialect]

    def moves(self) -> Iterator[tuple[Scene, AxisMove]]:
        """Every move as it is loaded, with the step that loads it."""
        for scene in self.scenes:
            for move in loaded_by(scene.step):
                yield scene, move

    def motions(self) -> Iterator[tuple[Scene, int, Span]]:
        """Everything that moves an axis, in order: moves as they are loaded, and homing; with the place to point at."""
        for scene in self.scenes:
            action = scene.step.action
            if isinstance(action, Home):
                yield from ((scene, axis, scene.step.place) for axis in action.axes)
            for move in loaded_by(scene.step):
                yield scene, move.axis, move.place or scene.step.place

    def real(self, axes: Axes, axis: int, setting: Setting) -> Fraction | None:
        """What a setting means in the axis' unit, as configured so far; None before."""
        raw, scale = axes.settings.get(axis, {}).get(setting), self.dialect(axis).settings.get(setting)
        if raw is None or scale is None:
            return None
        return Grid.of(scale, self.plan.axes[axis].counts_per_unit).real(raw)

    def called(self, axis: int) -> str:
        """The name under which an axis is spoken of: its pair's, if it has one."""
        plan = self.plan.axes[axis]
        return plan.pair or plan.name

    def names(self, axes: Iterable[int]) -> str:
        """Axes in words, a whole pair by its name."""
        wanted = set(axes)
        found: list[str] = []
        for axis in self.plan.axes:
            pair = next((pair for pair in self.plan.pairs if axis.index in pair.axes), None)
            if axis.index not in wanted:
                continue
            name = pair.name if pair is not None and wanted.issuperset(pair.axes) else axis.name
            if name not in found:
                found.append(name)
        return " and ".join(found)

    def unit(self, name: str) -> str:
        """The unit of an axis."""
        return self.recipe.axes[Text(name)].unit

    def value(self, amount: Amount, unit: str) -> Fraction | None:
        """A quantity of the recipe in a unit; None when it does not fit, which the plan has reported."""
        try:
            return self.recipe.quantity(amount).to(unit)
        except UnitError:
            return None


def in_words(value: Fraction | float, axis: AxisPlan, per: str = "") -> str:
    """A number with the axis' unit."""
    return show(value, axis.unit + per)


def _every(steps: Iterable[Step], seen: set[int]) -> Iterator[Step]:
    for step in steps:
        if step.serial not in seen:
            seen.add(step.serial)
            yield step
            yield from _every(step.inside, seen)
