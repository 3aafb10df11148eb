"""
What a recipe and a machine file say, typed. `Recipe` is the whole after reading: machine file merged in, `like:`
followed, limits tightened, parameters set. `steps.py` has one class a verb.

Names are `Text` (a `str` with a `span`), quantities are `Amount` (`given`: a `Quantity` or a `ParameterRef`; `span`).
`Recipe.quantity(amount)` gives the value with parameters put in. Wherever a *group* is named, it is an axis, a pair, or
`all`; `Recipe.axes_of(names)` gives the axes behind it, in the order in which they are declared.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Discriminator, Tag

from choreo.diagnostic import Finding, Span
from choreo.recipe.base import Part
from choreo.recipe.flow_steps import Sequence
from choreo.recipe.groups import axes_behind
from choreo.recipe.inputs import Input, Output
from choreo.recipe.scalars import (
    Acceleration,
    Amount,
    AnyAmount,
    BitRate,
    Count,
    Distance,
    Flag,
    Frequency,
    Jerk,
    Length,
    Name,
    Names,
    Noise,
    ParameterRef,
    Percent,
    Position,
    Speed,
    Time,
    Word,
    whole,
)
from choreo.recipe.steps import Order, Step
from choreo.text.source import Sources
from choreo.text.tree import Branch, Text
from choreo.units import Quantity


class Bus(Part):
    """
    The bus: bit rate, length of the line, how often every axis' position is read (per axis); `adapter` is the longest
    that a real adapter and the computer add to a reply, beyond what the bus itself takes.
    """

    bit_rate: BitRate
    poll: Frequency
    length: Length | None = None
    adapter: Time | None = None


class Gear(Part):
    """`motor` turns of the motor make `output` turns of the output."""

    motor: Annotated[Count, whole(1, 1_000_000)]
    output: Annotated[Count, whole(1, 1_000_000)]


class Scale(Part):
    """How motion becomes counts: counts of a motor turn, the gear, the travel of one turn of the output."""

    counts_per_motor_rev: Annotated[Count, whole(1, 1_000_000_000)]
    gear: Gear
    travel_per_output_rev: Distance


class Brake(Part):
    """A holding brake: time to release, time to engage, the sag that is allowed when it is released."""

    release: Time
    engage: Time
    sag: Distance


class Axis(Part):
    """
    One controlled motion with one drive.

    `dialect` is the name of a shipped dialect or a file in the recipe's folder tree (`./my_drive.yaml`). `lag` is the
    first-order time constant of the position loop, `noise` how much two readings at rest may differ (counts).
    """

    node: Annotated[Count, whole(1, 255)]
    dialect: Word
    unit: Literal["mm", "deg", "rev"]
    scale: Scale
    inverted: Flag = False
    load: Literal["horizontal", "vertical"] = "horizontal"
    brake: Brake | None = None
    lag: Time | None = None
    noise: Noise | None = None
    like: Name | None = None  # already followed: the values of the other axis are here


class Skew(Part):
    """At `trip` everything stops; `structural` must never be reached (practice.md P9)."""

    trip: Distance
    structural: Distance


class Pair(Part):
    """Two axes that carry one beam."""

    axes: tuple[Name, Name]
    skew: Skew


class NamedGroup(Part):
    """An entry of `groups`: axes and pairs that have one name."""

    members: Names


class Limits(Part):
    """What an axis may do at most. In `Recipe.limits` one entry an axis, the tightest of all that name it."""

    travel: tuple[Position, Position] | None = None
    speed: Speed | None = None
    acceleration: Acceleration | None = None
    jerk: Jerk | None = None
    quick_stop: Acceleration | None = None
    tracking: Distance | None = None


class Unhomed(Part):
    """What an axis may do at most while its home is not valid (P21): speed, distance from where it was found."""

    speed: Speed | None = None
    distance: Distance | None = None


def _one_or_by_axis(value: Any) -> str:
    return "by_axis" if isinstance(value, (Branch, dict)) else "one"


HomeAt = Annotated[
    Annotated[Position, Tag("one")] | Annotated[dict[Name, Position], Tag("by_axis")], Discriminator(_one_or_by_axis)
]


class Homing(Part):
    """
    How an axis, or a pair together (P19), is homed on its home switch.

    `search` and `crawl` are the speeds, `within` is how far the search may go, `back_off` how far an axis goes back
    from where the search stopped it: further than it needs to stop. `home_at` is the position of the switch's edge,
    one for all axes of the group or one by axis; `Recipe.home_at` asks for it by axis. `square_limit` is how far the
    second side of a pair may go on alone, `torque` the limit while squaring, `rest_at` where the axes are moved
    afterwards. When an axis that has a home is homed again, its edge may not have moved by more than `shift_limit`.
    """

    towards: Literal["negative", "positive"]
    using: Literal["home_switch"]
    search: Speed
    crawl: Speed
    back_off: Distance
    within: Distance
    home_at: HomeAt
    rest_at: Position
    square_limit: Distance | None = None
    torque: Percent | None = None
    shift_limit: Distance | None = None


class Parameter(Part):
    """A value that `--set name=value` may change, within `allowed` (both ends included)."""

    value: AnyAmount
    allowed: tuple[AnyAmount, AnyAmount] | None = None


class NamedPosition(Part):
    """An entry of `positions`: where each group stands."""

    at: dict[Name, Position]


class HomingOrder(Part):
    """`homing_order: [lift, [carriage, beam]]`: stages of groups; see `Recipe`."""

    homing_order: Order


@dataclass(frozen=True, slots=True)
class Recipe:
    """
    A recipe, read and merged with its machine file; everything that can be said of it without a drive is true.

    `limits` and `unhomed` are by axis name, `homing` by axis or pair, `gathered` are the axes of each pair and of each
    named group, `values` are the parameters as
    they are set. `homing_order` are stages of groups, from the machine file's `homing_order: [lift, [carriage, beam]]`:
    no axis of a stage may be homed before every axis of the earlier stages has been homed; empty when not declared.
    """

    path: Path
    title: Text
    name: Text  # of the machine; the title where there is no machine file
    place: Span  # the start of the recipe, for findings about the whole
    bus: Bus
    axes: Mapping[Text, Axis]
    pairs: Mapping[Text, Pair]
    gathered: Mapping[str, tuple[str, ...]]
    limits: Mapping[str, Limits]
    unhomed: Mapping[str, Unhomed]
    homing: Mapping[Text, Homing]
    homing_order: tuple[tuple[Text, ...], ...]
    parameters: Mapping[Text, Parameter]
    values: Mapping[str, Quantity]
    positions: Mapping[Text, Mapping[Text, Amount]]
    steps: tuple[Step, ...]
    closing: tuple[Step, ...]
    simulated: Text | None  # the machine truth that a dry-run uses
    machine_path: Path | None
    dialect_files: Mapping[str, Path]  # by what `dialect:` says; shipped dialects are not in it
    hashes: Mapping[str, str]  # sha-256 in hexadecimal, by file as it was named
    parameter_texts: Mapping[str, str]  # as set, in words
    sources: Sources  # the lines of the files, for renderings
    warnings: tuple[Finding, ...] = ()
    sequences: Mapping[Text, Sequence] = field(default_factory=dict)
    called: frozenset[str] = frozenset()  # the sequences that some step calls
    inputs: Mapping[Text, Input] = field(default_factory=dict)
    outputs: Mapping[Text, Output] = field(default_factory=dict)
    interlocks: tuple[Text, ...] = ()  # inputs that must stay on while anything can move; the machine file's first
    required: Mapping[Text, str] = field(default_factory=dict)  # "on" or "off" by input, before anything can move

    def quantity(self, amount: Amount) -> Quantity:
        """The value of `amount`, parameters put in."""
        if not isinstance(amount.given, ParameterRef):
            return amount.given
        value = self.values[amount.given.name]
        return Quantity(-value.value, value.unit) if amount.given.negated else value

    def axes_of(self, names: str | Iterable[str]) -> tuple[str, ...]:
        """
        The axes behind an axis, a pair, a named group or `all`, or several of them; each once, in order of declaration.
        """
        return axes_behind(names, self.axes, self.gathered)

    def pair_of(self, axis: str) -> str | None:
        """The pair that an axis belongs to."""
        return next((str(name) for name, pair in self.pairs.items() if axis in pair.axes), None)

    def home_at(self, group: str, axis: str) -> Amount:
        """Where the switch edge of `axis` lies, as the homing of `group` says."""
        edges = self.homing[Text(group)].home_at
        return edges[Text(axis)] if isinstance(edges, dict) else edges
