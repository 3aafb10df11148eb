"""Whether the inputs and outputs that are named are there, and whether the steps on them make sense in themselves."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

from choreo.diagnostic import Mark, did_you_mean
from choreo.recipe.input_steps import MoveUntilStep, SetOutputStep, WaitForStep
from choreo.recipe.reading import Reading
from choreo.recipe.scalars import shortened
from choreo.recipe.sections import Sections
from choreo.recipe.target import check_one_way
from choreo.recipe.tighten import compare
from choreo.text.tree import Text

if TYPE_CHECKING:
    from choreo.recipe.declared import Groups
    from choreo.recipe.referring import Steps


def check_inputs(sections: Sections, groups: Groups, reading: Reading) -> None:
    """What is declared: the axes of inputs and outputs, and what is demanded of inputs."""
    for declared in (sections.inputs, sections.outputs):
        for part in declared.values():
            groups.axis(part.axis)
    first: dict[str, Text] = {}
    for name in sections.interlocks:
        known_input(name, sections, reading)
        if name in first:
            others = [Mark(first[name].span, "the first time")]
            reading.error("named-twice", f"`{name}` is named twice", name.span, others=others)
        first.setdefault(name, name)
    for name, level in sections.required.items():
        known_input(name, sections, reading)
        if level == "off" and name in first:
            headline = f"`{name}` is required to be off, and as an interlock it must be on"
            others = [Mark(first[name].span, "the interlock")]
            reading.error("interlock-off", headline, name.span, others=others, help="Keep one of the two.")


def compare_inputs(machine: Sections, recipe: Sections, reading: Reading) -> None:
    """What a machine file says of its inputs and outputs, and requires of them, no recipe may change."""
    for theirs, ours in ((machine.inputs, recipe.inputs), (machine.outputs, recipe.outputs)):
        for name in theirs:
            if name in ours:
                compare(theirs[name], ours[name], reading)
    names = {name: name for name in recipe.required}
    for name, level in machine.required.items():
        if recipe.required.get(name, level) != level:
            headline = f"`{name}` is required to be {level}, says the machine file"
            others = [Mark(name.span, "the machine")]
            reading.error("changes-the-machine", headline, names[name].span, others=others)


def known_input(name: Text, sections: Sections, reading: Reading) -> bool:
    """Whether there is such an input; a finding when not."""
    return _known(name, sections.names.get("inputs", ()), "input", reading)


def wait_for(steps: Steps, step: WaitForStep) -> None:
    """The input."""
    known_input(step.wait_for.input, steps.sections, steps.reading)


def move_until(steps: Steps, step: MoveUntilStep) -> None:
    """The input, and one axis or pair that goes one way."""
    known_input(step.move_until.until.input, steps.sections, steps.reading)
    ways = step.move_until.by_group
    if len(ways) != 1:
        named = list(ways)
        headline = (
            f"`move_until` moves one axis or pair, and `{shortened(named[1])}` is a second"
            if named
            else "`move_until` does not say what moves"
        )
        place = named[1].span if named else step.place
        steps.reading.error("one-group", headline, place, help="Name one axis or one pair.")
        return
    ((name, way),) = ways.items()
    steps.groups.group(name, every=False)
    check_one_way(name, way, steps.reading)


def set_output(steps: Steps, step: SetOutputStep) -> None:
    """The outputs."""
    if not step.set_output:
        steps.reading.error("empty-mapping", "`set_output` switches nothing", step.place)
    for name in step.set_output:
        _known(name, steps.sections.names.get("outputs", ()), "output", steps.reading)


def _known(name: Text, known: Iterable[Text], what: str, reading: Reading) -> bool:
    names = tuple(known)
    if name in names:
        return True
    headline = f"`{shortened(name)}` is no {what}"
    help = did_you_mean(name, names, "" if names else f"Declare it under `{what}s:`.")
    reading.error(f"unknown-{what}", headline, name.span, help=help)
    return False
