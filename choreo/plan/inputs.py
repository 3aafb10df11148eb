"""The inputs and outputs that a recipe names, and what it demands of inputs, with bits and numbers of the wire."""

from collections.abc import Iterable, Mapping, Sequence

from choreo.plan.amounts import Amounts
from choreo.plan.signals import Demands, InputPlan, OutputPlan
from choreo.recipe.model import Recipe
from choreo.text import Text
from choreo.wire.dialect import Dialect

#: What `input: 3` stands for, where the dialect has a bit of that name.
NUMBERED = "input_{}"


def find_inputs(
    recipe: Recipe, axes: Mapping[str, int], dialects: Sequence[Dialect], amounts: Amounts
) -> tuple[InputPlan, ...]:
    """In order of declaration. `axes` are indices by name, `dialects` what each axis speaks."""
    found = []
    for index, (name, given) in enumerate(recipe.inputs.items()):
        axis = axes[str(given.axis)]
        bit = _bit(str(given.input), dialects[axis].input_names)
        debounce = 0 if given.debounce is None else amounts.time_ns(given.debounce)
        found.append(InputPlan(index, str(name), axis, bit, given.active == "high", debounce, given.input.span))
    return tuple(found)


def find_outputs(recipe: Recipe, axes: Mapping[str, int]) -> tuple[OutputPlan, ...]:
    """In order of declaration."""
    return tuple(
        OutputPlan(index, str(name), axes[str(given.axis)], int(given.output), given.output.span)
        for index, (name, given) in enumerate(recipe.outputs.items())
    )


def find_demands(recipe: Recipe) -> Demands:
    """What the recipe and its machine file demand."""
    index = {name: place for place, name in enumerate(recipe.inputs)}
    return Demands(
        tuple(index[name] for name in recipe.interlocks),
        tuple((index[Text(name)], level == "on") for name, level in recipe.required.items()),
    )


def _bit(given: str, names: Iterable[str]) -> str:
    numbered = NUMBERED.format(given)
    return numbered if given.isascii() and given.isdigit() and numbered in names else given


def polled(inputs: Iterable[InputPlan], dialects: Sequence[Dialect]) -> tuple[Dialect, ...]:
    """
    What the drives speak whose inputs are read, one entry a drive. Every declared input counts as read all the time:
    an interlock is, and the others may be at any moment.
    """
    axes = sorted({one.axis for one in inputs})
    return tuple(dialects[axis] for axis in axes if dialects[axis].input_names)
