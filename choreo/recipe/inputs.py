"""Inputs and outputs of the drives, as the machine file or the recipe names them; what a run demands of inputs."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from choreo.recipe.base import Part
from choreo.recipe.scalars import NAMES_SCHEMA, Count, Name, Reader, Time, Word, kind_of, whole, wrong
from choreo.text.tree import Items, Text

#: How an input reads and how an output is switched. `on` is the active level, whatever the wire says.
Level = Literal["on", "off"]


class Input(Part):
    """
    One digital input of a drive under a name of its own.

    `axis` is the axis whose drive reads it, `input` its bit by the dialect's name (`input_3`, or `3` for it).
    With `active: low` it is on while the bit is 0: a guard whose wire breaks reads off. It must have read the same for
    `debounce` before a change counts.
    """

    axis: Name
    input: Word
    active: Literal["high", "low"] = "high"
    debounce: Time | None = None


class Output(Part):
    """One digital output of a drive under a name of its own: `axis` whose drive has it, `output` its number there."""

    axis: Name
    output: Annotated[Count, whole(0, 65_535)]


class Requires(Part):
    """What must be so before the first step that can move anything."""

    inputs: dict[Name, Level]


def _read_input_names(value: Any) -> tuple[Text, ...]:
    given = tuple(value) if isinstance(value, Items) else (value,)
    if not given:
        raise wrong("empty-list", "names nothing", "Name an input, or delete the key.")
    if not all(isinstance(name, Text) and name.strip() for name in given):
        headline = f"must be the name of an input or a list of such names, and {kind_of(value)} stands here"
        raise wrong("wrong-type", headline, "Write `[guard_closed]`.")
    return given


class Interlocks(Part):
    """`interlocks: [guard_closed]`: inputs that must stay on while anything can move."""

    interlocks: Annotated[tuple[Text, ...], Reader(_read_input_names, NAMES_SCHEMA)]
