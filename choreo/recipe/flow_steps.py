"""
The steps that say how a recipe flows: what is called, gone through for several values, left out, recorded by name; what
a person is asked; a fault that is reset.
"""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import Field

from choreo.recipe.base import Part
from choreo.recipe.scalars import AnyAmount, Flag, Name, Names, Reader, Word, kind_of, wrong
from choreo.recipe.step import Step
from choreo.text.tree import Items, Text


class CallStep(Step):
    """
    `call: touch`: the steps of a sequence, written once under `sequences` and done here.

        sequences:
          touch:
            takes: [place]
            steps:
              - move: {carriage: {to: $place}}
              - dwell: 250 ms
        steps:
          - call: touch
            with: {place: 400 mm}

    What a sequence `takes` is given with `with`, and stands for the value wherever the sequence says `$place`: a
    quantity, a parameter of the recipe (`$stroke`), or a name. In reports its steps are called `7 > touch 2`: the
    second step of `touch`, called by step 7. A sequence may call another, never itself, not even through others. One
    that is meant for the time after a stop (`after_stop: true`) cannot be called: `choreo retreat` carries it out.
    """

    __slots__ = ("_steps",)

    verb = "call"
    call: Name
    given: dict[Name, Word] = Field(default_factory=dict, alias="with")

    def lead_to(self, steps: tuple[Step, ...]) -> None:
        """Say what is called; for the room's own use, while a recipe is read."""
        object.__setattr__(self, "_steps", steps)

    @property
    def inside(self) -> tuple[Step, ...]:
        """The steps of the sequence, what it takes filled in."""
        found: tuple[Step, ...] = object.__getattribute__(self, "_steps")
        return found


class ConfirmStep(Step):
    """
    `confirm: "The shelf is on the fork"`: a person looks, and types `yes`.

    Nothing goes on before; every axis stays watched. Enter alone is no answer, any other word but `no` is asked for
    again, and `no` stops the run as an interrupt does (exit code 130). When nobody has answered within `timeout` (ten
    minutes where none is given) the run is stopped (exit code 3). A pace does not lengthen that time.

    A dry-run answers by itself, at once: `yes`, or what `--answers` says. Output and journal say that it did.
    """

    verb = "confirm"
    confirm: Word


class ResetFault(Part):
    """The drives, and what a person says to it first: a fault is never reset unasked."""

    axes: Names
    confirm: Word


class ResetFaultStep(Step):
    """
    `reset_fault: {axes: lift, confirm: "The jam at the lift is cleared"}`: resets a drive's fault, after a person has
    typed `yes` to what `confirm` says.

    A fault tells of something that has happened to the machine: find the cause first, it does not go away with its
    message. A drive without a fault is left alone. Afterwards the drive is asked whether its home still holds; if it
    does not, and the run counts on it, the run is stopped. The axis counts as not enabled: `enable` comes next.

    It belongs to the beginning of a recipe, or into a sequence with `after_stop: true`: a fault in the middle of a run
    ends it.
    """

    verb = "reset_fault"
    reset_fault: ResetFault


class RecordStep(Step):
    """
    `record: touch` with `steps:` beside it: gives a part of the run a name, under which the report has figures of its
    own.

        - record: synchronised moves
          steps:
            - move: {beam: {by: 600 mm}, carriage: {by: 300 mm}}

    For each time that the part was gone through, the report says how long it took, between which positions each axis
    was, how far it was from its predicted motion at most, the largest skew of each pair, and how far apart the axes of
    one trigger started. It changes nothing about the run: everything is read and recorded as often as elsewhere.
    """

    verb = "record"
    record: Word
    steps: tuple[Step, ...]

    @property
    def inside(self) -> tuple[Step, ...]:
        """Its steps."""
        return self.steps


def _read_values(value: Any) -> tuple[Text, ...]:
    if not isinstance(value, Items):
        help = "Write `[100 mm, 400 mm, 700 mm]`, or names: `[lift, carriage]`."
        raise wrong("wrong-type", f"must be a list of values, and {kind_of(value)} stands here", help)
    if not value:
        raise wrong("empty-list", "names nothing", "Give at least one value.")
    for item in value:
        if not isinstance(item, Text) or not item.strip():
            raise wrong("wrong-type", f"must hold quantities or names, and {kind_of(item)} stands in it")
    return tuple(value)


Values = Annotated[
    tuple[Text, ...],
    Reader(_read_values, {"type": "array", "items": {"type": ["string", "number"]}, "minItems": 1}),
]


class ForEachStep(Step):
    """
    `for_each: {place: [100 mm, 400 mm, 700 mm]}` with `steps:` beside it: the steps once for each value, in order.

        - for_each: {place: [100 mm, 400 mm, 700 mm]}
          steps:
            - move: {carriage: {to: $place}}
            - expect: {axis: carriage, position: $place, within: 0.1 mm}

    `$place` stands for the value, `-$place` for its opposite; a value may be a quantity, a parameter, or the name of an
    axis, a pair or a position (`for_each: {axis: [lift, carriage]}`, `- home: $axis`). In reports the steps are called
    `9.1 (place 400 mm)`.
    """

    verb = "for_each"
    for_each: dict[Name, Values]
    steps: tuple[tuple[Step, ...], ...]  # for each value

    @property
    def value(self) -> tuple[Text, tuple[Text, ...]]:
        """What the values are called, and the values."""
        return next(iter(self.for_each.items()))

    @property
    def inside(self) -> tuple[Step, ...]:
        """The steps for every value."""
        return tuple(step for steps in self.steps for step in steps)


class When(Part):
    """
    What must be true of a value: that it equals another, that it lies above or below it; several all at once. What is
    compared is known before the run, never measured.
    """

    value: AnyAmount
    equals: AnyAmount | None = Field(None, alias="is")
    above: AnyAmount | None = None
    below: AnyAmount | None = None


class WhenStep(Step):
    """
    `when: {value: $stroke, above: 500 mm}` with `steps:` beside it: the steps are part of the run only if that is true.

        - when: {value: $stroke, above: 500 mm}
          steps:
            - move: {lift: {to: 640 mm}}

    `is`, `above` and `below` may stand together. Values are parameters (`--set` changes them) and quantities: what a
    run will do is decided, and checked, before it begins.
    """

    verb = "when"
    when: When
    steps: tuple[Step, ...]

    @property
    def inside(self) -> tuple[Step, ...]:
        """Its steps."""
        return self.steps


class Sequence(Part):
    """
    An entry of `sequences`: steps under a name. What it `takes` is given where it is called. With `after_stop` it is
    for the time after a stopped run, carried out by `choreo retreat` and by nothing else.
    """

    after_stop: Flag = False
    takes: Names = ()
    note: Word | None = None
    steps: tuple[Step, ...] = ()


#: The verbs of this module, in the order in which they are explained.
FLOW = (CallStep, RecordStep, ForEachStep, WhenStep, ConfirmStep, ResetFaultStep)
