"""Whether what the steps name is there: axes, pairs, positions; and whether each step makes sense in itself."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from choreo.diagnostic import Mark, did_you_mean
from choreo.recipe.declared import Groups
from choreo.recipe.flow_references import check_flow
from choreo.recipe.flow_steps import FLOW, CallStep
from choreo.recipe.groups import ALL
from choreo.recipe.input_referring import move_until, set_output, wait_for
from choreo.recipe.input_steps import MoveUntilStep, SetOutputStep, WaitForStep
from choreo.recipe.reading import Reading
from choreo.recipe.scalars import shortened
from choreo.recipe.sections import Sections
from choreo.recipe.steps import (
    ConfigureStep,
    DisableStep,
    DwellStep,
    EnableStep,
    ExpectStep,
    HomeStep,
    LinkCheckStep,
    MoveStep,
    PreloadStep,
    RepeatStep,
    Step,
    Targets,
    TriggerStep,
    WaitForPositionStep,
)
from choreo.recipe.target import check_one_way
from choreo.text.tree import Text

#: The most steps that a recipe may come to when its repeats are written out.
MAX_STEPS = 250_000


class Steps:
    """Looks at steps one by one."""

    def __init__(self, sections: Sections, groups: Groups, reading: Reading) -> None:
        self.sections = sections
        self.groups = groups
        self.reading = reading
        self._seen: set[int] = set()  # serial numbers: the steps of a sequence stand wherever it is called

    def check(self, steps: tuple[Step, ...]) -> None:
        """Keep a finding for everything that is not there or makes no sense."""
        for step in steps:
            if step.serial not in self._seen:
                self._seen.add(step.serial)
                _CHECKS[type(step)](self, step)

    def _link_check(self, step: LinkCheckStep) -> None:
        self.groups.distinct(step.link_check.axes)

    def _configure(self, step: ConfigureStep) -> None:
        self.groups.distinct(step.configure)
        for name, settings in step.configure.items():
            if not settings.model_fields_set:
                self.reading.error("empty-mapping", f"`{name}` is given no setting", name.span)
        if not step.configure:
            self.reading.error("empty-mapping", "`configure` sets nothing", step.place)

    def _enable(self, step: EnableStep) -> None:
        self.groups.distinct(step.enable)

    def _disable(self, step: DisableStep) -> None:
        self.groups.distinct(step.disable)

    def _home(self, step: HomeStep) -> None:
        if not self.groups.distinct(step.home):
            return
        covered = self.groups.behind(self.sections.names_of_homing())
        for name in step.home:
            pair = self.groups.pair_of(name)
            if pair is not None:
                headline = f"`{name}` is one side of the pair `{pair}`, and homing one side alone racks it"
                self.reading.error("homed-by-half", headline, name.span, help=f"Home the pair: `{pair}`.")
                continue
            halved = self.groups.halved(name)
            if halved is not None:
                headline = f"`{name}` has one side of the pair `{halved[0]}`, and homing one side alone racks it"
                self.reading.error("homed-by-half", headline, name.span, help=f"Home the pair: `{halved[0]}`.")
                continue
            lacking = [axis for axis in self.groups.behind(name) if axis not in covered]
            if lacking:
                headline = f"nothing under `homing` says how `{lacking[0] if name == ALL else name}` is homed"
                self.reading.error("no-homing", headline, name.span, help="Declare it in the machine file.")

    def _preload(self, step: PreloadStep) -> None:
        self._targets(step, step.preload)

    def _trigger(self, step: TriggerStep) -> None:
        self.groups.distinct(step.trigger)

    def _wait_for_position(self, step: WaitForPositionStep) -> None:
        self.groups.distinct(step.wait_for_position.axes)

    def _move(self, step: MoveStep) -> None:
        moved = self._targets(step, step.move)
        if step.order is None or moved is None:
            return
        ordered = [name for stage in step.order for name in stage]
        if not self.groups.distinct(ordered):
            return
        for name in ordered:
            if any(axis not in moved for axis in self.groups.behind(name)):
                headline = f"`order` names `{name}`, which this step does not move"
                self.reading.error("order-and-move", headline, name.span, help=f"It moves {', '.join(moved)}.")
        lacking = [axis for axis in moved if axis not in self.groups.behind(ordered)]
        if lacking:
            headline = f"`order` does not name {' and '.join(f'`{axis}`' for axis in lacking)}"
            help = "It names everything that moves, each once; what moves together stands in one inner list."
            self.reading.error("order-and-move", headline, ordered[0].span, help=help)

    def _dwell(self, step: DwellStep) -> None:
        """Nothing is named."""

    def _expect(self, step: ExpectStep) -> None:
        self.groups.axis(step.expect.axis)

    def _repeat(self, step: RepeatStep) -> None:
        self.check(step.steps)

    def _flow(self, step: Step) -> None:
        check_flow(step, self.sections, self.groups, self.reading)
        self.check(step.inside)

    def _targets(self, step: Step, targets: Targets) -> tuple[str, ...] | None:
        """The axes that move; None when a name is not there."""
        if targets.position is not None:
            if targets.by_group:
                first = next(iter(targets.by_group))
                headline = f"`{step.verb}` moves to a position and names `{first}` beside it"
                others = [Mark(targets.position.span, "the position")]
                self.reading.error(
                    "position-and-groups", headline, first.span, others=others, help="Make two steps of it."
                )
                return None
            return self._position(targets.position)
        for name, target in targets.by_group.items():
            check_one_way(name, target, self.reading)
        if not self.groups.distinct(targets.by_group):
            return None
        return self.groups.behind(targets.by_group)

    def _position(self, name: Text) -> tuple[str, ...] | None:
        known = self.sections.names["positions"]
        if name in self.sections.positions:
            return self.groups.behind(self.sections.positions[name])
        if name not in known:
            if any(character.isdigit() for character in name[:2]):
                headline = f"`{shortened(name)}` does not say which axis moves there"
                help = f"Write `{{beam: {{to: {shortened(name)}}}}}`; `to` alone takes the name of a position."
            else:
                headline = f"there is no position `{shortened(name)}`"
                help = did_you_mean(name, known, "" if known else "Declare it under `positions:`.")
            self.reading.error("unknown-position", headline, name.span, help=help)
        return None


_CHECKS: Mapping[type[Step], Callable[[Steps, Any], None]] = {
    LinkCheckStep: Steps._link_check,
    ConfigureStep: Steps._configure,
    EnableStep: Steps._enable,
    DisableStep: Steps._disable,
    HomeStep: Steps._home,
    PreloadStep: Steps._preload,
    TriggerStep: Steps._trigger,
    WaitForPositionStep: Steps._wait_for_position,
    MoveStep: Steps._move,
    DwellStep: Steps._dwell,
    ExpectStep: Steps._expect,
    RepeatStep: Steps._repeat,
    WaitForStep: wait_for,
    MoveUntilStep: move_until,
    SetOutputStep: set_output,
    **dict.fromkeys(FLOW, Steps._flow),
}


def check_length(steps: tuple[Step, ...], reading: Reading) -> None:
    """Keep a finding when the repeats written out come to more than `MAX_STEPS` steps."""
    known: dict[int, int] = {}
    total = _written_out(steps, known)
    if total > MAX_STEPS:
        longest = max(steps, key=lambda step: _written_out((step,), known))
        headline = f"the recipe comes to {total} steps, and at most {MAX_STEPS} are possible"
        reading.error("too-many-steps", headline, longest.place, help="Run it in parts, or repeat less often.")


def _written_out(steps: tuple[Step, ...], known: dict[int, int]) -> int:
    """How many steps these come to; `known` keeps it by serial number, because a sequence may be called often."""
    total = 0
    for step in steps:
        found = known.get(step.serial)
        if found is None:
            times = step.repeat if isinstance(step, RepeatStep) else 1
            inside = "steps" in type(step).model_fields or isinstance(step, CallStep)
            found = known[step.serial] = times * _written_out(step.inside, known) if inside else 1
        total += found
    return total
