"""
A recipe may tighten what its machine file says, and never widen it.

`bus`, `pairs` and `homing` of the recipe are laid over the machine's, key by key; then each value is compared. Limits
are kept by axis: all that name an axis hold at once, so the tightest is what it has, and a recipe's that is looser than
the machine's is refused instead of being without effect.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, cast

from choreo.diagnostic import Mark
from choreo.recipe.base import Part
from choreo.recipe.model import Axis, Limits
from choreo.recipe.parameters import Values
from choreo.recipe.reading import P, Reading
from choreo.recipe.scalars import Amount
from choreo.text.tree import Branch, Text, Tree
from choreo.units import Quantity, UnitError, units_of

#: Sections of a machine that a recipe with a machine file may lay over, and those that it may not touch.
OVERLAID = ("bus", "pairs", "groups", "homing", "inputs", "outputs", "requires")
MACHINES_OWN = ("name", "simulated", "axes", "homing_order")

#: The sections of limits, and what every axis must have there.
REQUIRED: dict[str, tuple[str, ...]] = {
    "limits": ("travel", "speed", "acceleration", "quick_stop", "tracking"),
    "unhomed": ("speed", "distance"),
}

#: Values that a recipe may lower, or raise; every other must be equal.
_LOWER = frozenset({"trip", "structural", "search", "crawl", "within", "square_limit", "torque", "shift_limit"})
_HIGHER = frozenset({"poll"})

#: What is put behind an axis' unit, by the name of a limit.
PER = {
    "speed": "/s",
    "acceleration": "/s^2",
    "jerk": "/s^3",
    "quick_stop": "/s^2",
    "tracking": "",
    "distance": "",
    "travel": "",
}


def overlay(machine: Tree, recipe: Tree) -> Tree:
    """The machine's mapping with the recipe's keys laid over it; mappings inside are laid over each other."""
    if not isinstance(machine, Branch) or not isinstance(recipe, Branch):
        return recipe
    below = {key: value for key, value in machine.items() if key not in recipe}
    above = {key: overlay(machine[key], value) if key in machine else value for key, value in recipe.items()}
    return recipe.like({**below, **above})


def compare(machine: Part, recipe: Part, reading: Reading) -> None:
    """Keep a finding for each value of the recipe's part that is not the machine's, or a tighter one."""
    for name in type(machine).model_fields:
        ours, theirs = getattr(recipe, name), getattr(machine, name)
        if isinstance(ours, Part) and isinstance(theirs, Part):
            compare(theirs, ours, reading)
        elif isinstance(ours, Amount) and isinstance(theirs, Amount):
            _compare_amounts(name, theirs, ours, reading)
        elif isinstance(ours, dict) and isinstance(theirs, dict):
            for key in (key for key in theirs if key in ours):  # what is lacking is said elsewhere
                _compare_amounts(f"{name}.{key}", theirs[key], ours[key], reading)
        elif theirs is not None and _plain(ours) != _plain(theirs):
            span = recipe.place
            headline = f"`{name}` is not what the machine file says"
            reading.error("changes-the-machine", headline, span, others=[Mark(machine.place, "the machine")])


def _plain(value: object) -> object:
    """A value without its place and its way of writing, to be compared."""
    if isinstance(value, Amount):
        given = value.given
        return (given.dimension, given.to(units_of(given.dimension)[0])) if isinstance(given, Quantity) else given
    return value


def _compare_amounts(name: str, machine: Amount, recipe: Amount, reading: Reading) -> None:
    if not isinstance(machine.given, Quantity) or not isinstance(recipe.given, Quantity):
        if recipe.text != machine.text:
            headline = f"`{name}` of a machine cannot be a parameter"
            reading.error("changes-the-machine", headline, recipe.span, others=[Mark(machine.span, "the machine")])
        return
    try:
        ours, theirs = recipe.given.to(machine.given.unit), machine.given.value
    except UnitError as problem:
        reading.error(
            "wrong-dimension", f"`{name}`: {problem}", recipe.span, others=[Mark(machine.span, "the machine")]
        )
        return
    if ours == theirs or (ours < theirs and name in _LOWER) or (ours > theirs and name in _HIGHER):
        return
    allowed = "at most" if name in _LOWER else "at least" if name in _HIGHER else "exactly"
    headline = f"`{name}` is {recipe.given.text()}, and the machine allows {allowed} {machine.given.text()}"
    help = "A recipe may tighten what its machine file says, never widen it."
    reading.error("machine-widened", headline, recipe.span, others=[Mark(machine.span, "the machine")], help=help)


class Merging:
    """Limits of one kind (`limits` or `unhomed`), by axis."""

    def __init__(self, axes: Mapping[Text, Axis], values: Values, reading: Reading) -> None:
        self.axes = axes
        self.values = values
        self.reading = reading

    def merged(self, cls: type[P], machine: list[P], recipe: list[P], axis: Text) -> P:
        """The tightest of all entries that name an axis; the recipe's are compared with the machine's."""
        found: dict[str, Any] = {}
        for name in cls.model_fields:
            if name == "travel":
                travel = self._travel(machine, recipe, axis)
                if travel is not None:
                    found[name] = travel
                continue
            ours = self._lowest(name, _given(recipe, name), axis)
            theirs = self._lowest(name, _given(machine, name), axis)
            for amount in _given(recipe, name):
                self._not_wider(name, theirs, amount, axis, highest=True)
            tightest = self._lowest(name, [amount for amount in (theirs, ours) if amount is not None], axis)
            if tightest is not None:
                found[name] = tightest
        made = cast(P, cls.model_construct(None, **found))  # the plug-in for pydantic knows the base only
        made.stand_at(axis)
        return made

    def _travel(self, machine: Iterable[Part], recipe: Iterable[Part], axis: Text) -> tuple[Amount, Amount] | None:
        theirs = [entry.travel for entry in machine if isinstance(entry, Limits) and entry.travel]
        ours = [entry.travel for entry in recipe if isinstance(entry, Limits) and entry.travel]
        low_theirs = self._lowest("travel", [low for low, _ in theirs], axis, highest=True)
        high_theirs = self._lowest("travel", [high for _, high in theirs], axis)
        for low, high in ours:
            self._not_wider("travel", low_theirs, low, axis, highest=False)
            self._not_wider("travel", high_theirs, high, axis, highest=True)
        first = self._lowest("travel", [low for low, _ in (*theirs, *ours)], axis, highest=True)
        last = self._lowest("travel", [high for _, high in (*theirs, *ours)], axis)
        if first is None or last is None:
            return None
        begin, end = self._in_unit("travel", first, axis), self._in_unit("travel", last, axis)
        if begin is not None and end is not None and begin.value >= end.value:
            headline = f"the travel begins at {begin.text()} and ends at {end.text()}"
            self.reading.error("empty-travel", headline, last.span, others=[Mark(first.span, "the beginning")])
        return first, last

    def _lowest(self, name: str, amounts: list[Amount], axis: Text, *, highest: bool = False) -> Amount | None:
        """The lowest amount, or the highest; what has no value in the axis' unit does not count."""
        found: tuple[Quantity, Amount] | None = None
        for amount in amounts:
            value = self._in_unit(name, amount, axis)
            if value is not None and (found is None or (value.value > found[0].value) == highest):
                found = (value, amount)
        return found[1] if found else None

    def _in_unit(self, name: str, amount: Amount, axis: Text) -> Quantity | None:
        unit = self.axes[axis].unit + PER[name]
        given = self.values.of(amount)
        if given is None:
            return None
        try:
            return Quantity(given.to(unit), unit)
        except UnitError as problem:
            self.reading.error("wrong-dimension", f"`{name}`: {problem}", amount.span, help=f"Write it in {unit}.")
            return None

    def _not_wider(self, name: str, machine: Amount | None, recipe: Amount, axis: Text, *, highest: bool) -> None:
        if machine is None:
            return
        ours, theirs = self._in_unit(name, recipe, axis), self._in_unit(name, machine, axis)
        if ours is None or theirs is None or ours.value == theirs.value or (ours.value < theirs.value) == highest:
            return
        side = "above" if highest else "below"
        headline = f"`{name}` {ours.text()} is {side} the machine's limit of {theirs.text()}"
        help = "A recipe may tighten the limits of its machine file, never widen them."
        others = [Mark(machine.span, "the machine's limit")]
        self.reading.error("limit-widened", headline, recipe.span, others=others, help=help)


def _given(entries: Iterable[Part], name: str) -> list[Amount]:
    return [amount for entry in entries if (amount := getattr(entry, name)) is not None]
