"""The sections of the two files as typed parts. An entry that is wrong is left out, with its findings kept."""

from __future__ import annotations

from dataclasses import dataclass, field

from choreo.diagnostic import did_you_mean
from choreo.recipe.flow_steps import Sequence
from choreo.recipe.inputs import Input, Interlocks, Output, Requires
from choreo.recipe.model import (
    Axis,
    Bus,
    Homing,
    HomingOrder,
    Limits,
    NamedGroup,
    NamedPosition,
    Pair,
    Parameter,
    Unhomed,
)
from choreo.recipe.reading import EnoughError, P, Reading
from choreo.recipe.scalars import Amount, shortened
from choreo.recipe.sequences import Sequences
from choreo.recipe.stepping import read_steps
from choreo.recipe.steps import Step
from choreo.text.tree import Branch, Text, Tree

#: The keys of a machine file.
MACHINE_KEYS = (
    "choreo",
    "name",
    "simulated",
    "bus",
    "axes",
    "pairs",
    "groups",
    "limits",
    "unhomed",
    "homing",
    "homing_order",
    "inputs",
    "outputs",
    "interlocks",
    "requires",
)
#: The keys of a recipe: what a machine has, and its own.
RECIPE_KEYS = (
    "choreo",
    "title",
    "machine",
    *MACHINE_KEYS[1:],
    "parameters",
    "positions",
    "steps",
    "sequences",
    "closing",
)

#: The most axes of a machine: their node numbers reach so far. The most that are like another in a row.
MOST_AXES = 255
MOST_LIKE = 8

_LIKE, _NODE, _AT, _MEMBERS = Text("like"), Text("node"), Text("at"), Text("members")


@dataclass
class Sections:
    """What stands in one file, or in both together. `names` are those of a section also where an entry is wrong."""

    bus: Bus | None = None
    axes: dict[Text, Axis] = field(default_factory=dict)
    pairs: dict[Text, Pair] = field(default_factory=dict)
    groups: dict[Text, tuple[Text, ...]] = field(default_factory=dict)
    limits: dict[Text, Limits] = field(default_factory=dict)
    unhomed: dict[Text, Unhomed] = field(default_factory=dict)
    homing: dict[Text, Homing] = field(default_factory=dict)
    homing_order: tuple[tuple[Text, ...], ...] = ()
    inputs: dict[Text, Input] = field(default_factory=dict)
    outputs: dict[Text, Output] = field(default_factory=dict)
    interlocks: tuple[Text, ...] = ()
    required: dict[Text, str] = field(default_factory=dict)  # levels by input
    parameters: dict[Text, Parameter] = field(default_factory=dict)
    positions: dict[Text, dict[Text, Amount]] = field(default_factory=dict)
    steps: tuple[Step, ...] = ()
    closing: tuple[Step, ...] = ()
    sequences: dict[Text, Sequence] = field(default_factory=dict)
    called: frozenset[str] = frozenset()  # the sequences that are called from somewhere
    names: dict[str, tuple[Text, ...]] = field(default_factory=dict)

    def names_of_homing(self) -> tuple[Text, ...]:
        """The groups for which a homing is declared, also where it is wrong."""
        return self.names["homing"]


def known_keys(tree: Branch, known: tuple[str, ...], reading: Reading, machine: bool) -> None:
    """Keep a finding for every key at the top that is none."""
    for key in tree:
        if key in known:
            continue
        if machine and key in RECIPE_KEYS:
            headline = f"`{key}` belongs into a recipe, and this is a machine file"
            help = "A machine file cannot name another." if key == "machine" else "Move it into the recipe."
            reading.error("not-for-a-machine", headline, key.span, help=help)
        else:
            reading.error(
                "unknown-key", f"`{shortened(key)}` is not known here", key.span, help=did_you_mean(key, known)
            )


def machine_sections(tree: Branch, reading: Reading) -> Sections:
    """What belongs to a machine."""
    made = Sections()
    for key, value in tree.items():
        if key == "bus":
            made.bus = reading.part(Bus, value, key)
        elif key == "homing_order":
            order = reading.part(HomingOrder, tree.like({key: value}), key)
            made.homing_order = order.homing_order if order else ()
        elif key == "requires":
            requires = reading.part(Requires, value, key)
            made.required = dict(requires.inputs) if requires else {}
    declared = reading.mapping(tree, "axes")
    if len(declared) > MOST_AXES:
        first_too_many = list(declared)[MOST_AXES]
        headline = f"{len(declared)} axes are declared, and at most {MOST_AXES} are possible"
        reading.error("too-many-axes", headline, first_too_many.span)
        raise EnoughError
    axes = follow_like(declared, reading)
    made.axes = _entries(Axis, axes, reading)
    made.pairs = _entries(Pair, reading.mapping(tree, "pairs"), reading)
    for key, value in reading.mapping(tree, "groups").items():
        group = reading.part(NamedGroup, tree.like({_MEMBERS: value}), key, inside=value)
        if group is not None:
            made.groups[key] = group.members
    made.limits = _entries(Limits, reading.mapping(tree, "limits"), reading)
    made.unhomed = _entries(Unhomed, reading.mapping(tree, "unhomed"), reading)
    made.homing = _entries(Homing, reading.mapping(tree, "homing"), reading)
    made.interlocks = read_interlocks(tree, reading)
    made.inputs = _entries(Input, reading.mapping(tree, "inputs"), reading)
    made.outputs = _entries(Output, reading.mapping(tree, "outputs"), reading)
    for section in ("axes", "pairs", "groups", "homing", "inputs", "outputs"):
        made.names[section] = tuple(reading.mapping(tree, section))
    return made


def recipe_sections(tree: Branch, made: Sections, reading: Reading) -> None:
    """What belongs to a recipe alone, put beside the machine's."""
    value_sections(tree, made, reading)
    step_sections(tree, made, reading)


def value_sections(tree: Branch, made: Sections, reading: Reading) -> None:
    """Parameters and positions, and which sequences there are."""
    made.parameters = _entries(Parameter, reading.mapping(tree, "parameters"), reading)
    positions = reading.mapping(tree, "positions")
    for key, value in positions.items():
        arranged = tree.like({_AT: value})
        position = reading.part(NamedPosition, arranged, key, inside=value)
        if position is not None:
            made.positions[key] = position.at
    for section in ("parameters", "positions", "sequences"):
        made.names[section] = tuple(reading.mapping(tree, section))


def step_sections(tree: Branch, made: Sections, reading: Reading) -> None:
    """Steps, sequences and closing."""
    callees = Sequences(tree, reading)
    steps, closing = tree.key("steps"), tree.key("closing")
    if steps is None:
        help = "A recipe lists what is done under `steps:`."
        reading.error("missing-key", "the recipe has no `steps`", tree.span, help=help)
    else:
        made.steps = read_steps(tree[steps], steps, reading, callees)
    if closing is not None:
        made.closing = read_steps(tree[closing], closing, reading, callees)
    made.sequences = callees.read_all()
    made.called = frozenset(callees.called)


def read_interlocks(tree: Branch, reading: Reading) -> tuple[Text, ...]:
    """The names under `interlocks`."""
    key = tree.key("interlocks")
    if key is None:
        return ()
    found = reading.part(Interlocks, tree.like({key: tree[key]}), key)
    return found.interlocks if found else ()


def _entries(cls: type[P], section: Branch, reading: Reading) -> dict[Text, P]:
    made = {key: reading.part(cls, value, key) for key, value in section.items()}
    return {key: part for key, part in made.items() if part is not None}


def follow_like(axes: Branch, reading: Reading) -> Branch:
    """
    `like: other` taken over: all keys of the other axis but its node, beneath the axis' own. An axis whose `like` leads
    nowhere is left out, with a finding: what else it lacks follows from that.
    """
    followed = {key: _followed(key, axes, (key,), reading) for key in axes}
    return axes.like({key: value for key, value in followed.items() if value is not None}) if axes else axes


def _followed(key: Text, axes: Branch, way: tuple[Text, ...], reading: Reading) -> Tree | None:
    own: Tree = axes[key]
    other = own.get(_LIKE) if isinstance(own, Branch) else None
    if not isinstance(own, Branch) or not isinstance(other, Text) or other.missing:
        return own
    if other in way:
        order = list(axes)
        if other == way[0] and min(order.index(name) for name in way) == order.index(other):
            circle = " is like ".join(f"`{name}`" for name in (*way, other))
            reading.error("like-in-a-circle", circle, other.span, help="One of them must say everything itself.")
        return None
    if len(way) > MOST_LIKE:
        reading.error("like-too-long", f"more than {MOST_LIKE} axes are like another in a row", other.span)
        return None
    model = axes.key(other)
    if model is None:
        if len(way) == 1:
            headline = f"`{shortened(other)}` is no axis that `{key}` could be like"
            reading.error("unknown-axis", headline, other.span, help=did_you_mean(other, [n for n in axes if n != key]))
        return None
    taken = _followed(model, axes, (*way, model), reading)
    if not isinstance(taken, Branch):
        return None
    return own.like({**{name: v for name, v in taken.items() if name not in own and name != _NODE}, **own})
