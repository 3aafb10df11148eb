"""Whether what the two files declare fits together: names, nodes, pairs, positions, homing."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping

from choreo.diagnostic import Mark, Span, did_you_mean
from choreo.recipe.groups import ALL, RESERVED, axes_behind, gathered_axes
from choreo.recipe.model import Homing
from choreo.recipe.reading import Reading
from choreo.recipe.scalars import IDENTIFIER, shortened
from choreo.recipe.sections import Sections
from choreo.text.tree import Text

_NAME = re.compile(IDENTIFIER)
_NAMED = {
    "axes": "an axis",
    "pairs": "a pair",
    "groups": "a group",
    "positions": "a position",
    "parameters": "a parameter",
    "sequences": "a sequence",
    "inputs": "an input",
    "outputs": "an output",
}


class Groups:
    """
    The names of axes, pairs and groups, and the findings about their use; none where there is no axis at all.
    """

    def __init__(self, sections: Sections, reading: Reading) -> None:
        self.reading = reading
        self.axes = sections.names.get("axes", ())
        self.known = bool(self.axes)
        self.pair_names = sections.names.get("pairs", ())
        self.pairs: dict[str, tuple[Text, ...]] = {name: pair.axes for name, pair in sections.pairs.items()}
        self.group_names = sections.names.get("groups", ())
        self._named: dict[str, tuple[Text, ...]] = {
            name: members
            for name, members in sections.groups.items()
            if name not in self.axes and name not in self.pair_names
        }
        self._behind: dict[str, tuple[str, ...]] = {}

    def behind(self, names: str | Iterable[str]) -> tuple[str, ...]:
        """The axes behind names."""
        if not isinstance(names, str):
            return axes_behind(names, self.axes, self.gathered())
        found = self._behind.get(names)
        if found is None:
            found = self._behind[names] = axes_behind(names, self.axes, self.gathered())
        return found

    def gathered(self) -> dict[str, tuple[str, ...]]:
        """The axes of each pair and of each named group."""
        return gathered_axes(self.pairs, self._named)

    def pair_of(self, axis: str) -> str | None:
        """The pair that an axis belongs to."""
        return next((name for name, axes in self.pairs.items() if axis in axes), None)

    def halved(self, name: str) -> tuple[str, str] | None:
        """A pair of which `name` has one side only, and the side that it lacks."""
        behind = self.behind(name)
        for axis in behind:
            pair = self.pair_of(axis)
            lacking = [side for side in self.pairs.get(pair or "", ()) if side not in behind]
            if pair is not None and lacking:
                return pair, lacking[0]
        return None

    def several(self, name: str) -> bool:
        """Whether `name` is a named group or `all`: axes and pairs that are one by one what a section says of them."""
        return name == ALL or name in self.group_names

    def group(self, name: Text, *, every: bool = True) -> bool:
        """Whether `name` is an axis or a pair or, with `every`, a named group or `all`; a finding when it is not."""
        more = (*self.group_names, ALL) if every else ()
        if name in self.axes or name in self.pair_names or name in more:
            return True
        if self.known:
            if name == ALL or name in self.group_names:
                headline, help = f"`{name}` cannot stand here", "Name an axis or a pair."
            else:
                and_group = " and no group" if self.group_names else ""
                headline = f"`{shortened(name)}` is no axis and no pair{and_group}"
                help = did_you_mean(name, (*self.axes, *self.pair_names, *more))
            self.reading.error("unknown-axis", headline, name.span, help=help)
        return False

    def axis(self, name: Text) -> bool:
        """Whether `name` is an axis; a finding when it is not."""
        if name in self.axes:
            return True
        if self.known:
            if name in self.pairs or name in self._named:
                headline = f"`{name}` is a {'pair' if name in self.pairs else 'group'}, and one axis is wanted"
                help = f"Name {' or '.join(f'`{axis}`' for axis in self.gathered()[name])}."
            else:
                headline, help = f"`{shortened(name)}` is no axis", did_you_mean(name, self.axes)
            self.reading.error("unknown-axis", headline, name.span, help=help)
        return False

    def distinct(self, names: Iterable[Text], *, every: bool = True) -> bool:
        """Whether all `names` are groups and no axis is named twice; findings when not."""
        first: dict[str, Text] = {}
        fine = True
        for name in names:
            if not self.group(name, every=every):
                fine = False
                continue
            twice = next((axis for axis in self.behind(name) if axis in first), None)
            if twice is not None:
                headline = (
                    f"`{twice}` is named twice"
                    if twice == name
                    else f"`{twice}` is named twice: it is part of `{name}`"
                )
                others = [Mark(first[twice].span, "the first time")]
                self.reading.error("named-twice", headline, name.span, others=others)
                fine = False
            first |= {axis: name for axis in self.behind(name) if axis not in first}
        return fine


def check_declared(sections: Sections, groups: Groups, reading: Reading) -> None:
    """Keep a finding for everything declared that does not fit."""
    for section, what in _NAMED.items():
        for name in sections.names.get(section, ()):
            _name(name, what, reading)
    _taken(groups.pair_names, "a pair", {"an axis": groups.axes}, reading)
    _taken(groups.group_names, "a group", {"an axis": groups.axes, "a pair": groups.pair_names}, reading)
    _nodes(sections, reading)
    _pairs(sections, groups, reading)
    _groups(sections, groups)
    for section_names in (sections.limits, sections.unhomed):
        for name in section_names:
            groups.group(name)
    for name, homing in sections.homing.items():
        _homing(name, homing, groups, reading)
    groups.distinct(name for stage in sections.homing_order for name in stage)
    for position in sections.positions.values():
        groups.distinct(position)


def _name(name: Text, what: str, reading: Reading) -> None:
    if _NAME.fullmatch(name) is None:
        help = "Letters without accents, digits and _ make a name; it does not begin with a digit."
        reading.error("bad-name", f"`{shortened(name)}` cannot be the name of {what}", name.span, help=help)
    elif name in RESERVED:
        headline = f"`{name}` cannot be the name of {what}: the word has a meaning of its own"
        reading.error("bad-name", headline, name.span, help="Choose another name.")


def _taken(names: Iterable[Text], what: str, others: Mapping[str, Iterable[Text]], reading: Reading) -> None:
    for name in names:
        for other, taken in others.items():
            own = next((one for one in taken if one == name), None)
            if own is not None:
                headline = f"`{name}` is {other} and {what}"
                reading.error("name-taken", headline, name.span, others=[Mark(own.span, f"the {other.split()[1]}")])


def _groups(sections: Sections, groups: Groups) -> None:
    """A group names axes and pairs, each once, and no other group."""
    for members in sections.groups.values():
        groups.distinct(members, every=False)


def _nodes(sections: Sections, reading: Reading) -> None:
    taken: dict[int, tuple[Text, Span]] = {}
    for name, axis in sections.axes.items():
        if axis.node in taken:
            other, span = taken[axis.node]
            headline = f"`{name}` and `{other}` have the same node number {axis.node}"
            help = "Two drives with one number contradict each other on the bus."
            reading.error("node-taken", headline, axis.node.span, others=[Mark(span, str(other))], help=help)
        taken.setdefault(axis.node, (name, axis.node.span))


def _pairs(sections: Sections, groups: Groups, reading: Reading) -> None:
    """What is no proper pair is forgotten as one: nothing else can be said of it."""
    owner: dict[str, tuple[Text, Text]] = {}
    for name, pair in sections.pairs.items():
        if not _two_axes(name, pair.axes, sections, groups):
            del groups.pairs[name]
            continue
        for axis in pair.axes:
            if axis in owner:
                other, place = owner[axis]
                headline = f"`{axis}` is in the pair `{other}` and in the pair `{name}`"
                reading.error("in-two-pairs", headline, axis.span, others=[Mark(place.span, "the first")])
                groups.pairs.pop(other, None)
                groups.pairs.pop(name, None)
            owner.setdefault(axis, (name, axis))


def _two_axes(name: Text, axes: tuple[Text, Text], sections: Sections, groups: Groups) -> bool:
    """Whether a pair has two different axes with one unit; findings when not."""
    left, right = axes
    if not all([groups.axis(left), groups.axis(right)]):
        return False
    if left == right:
        groups.reading.error("named-twice", f"both axes of the pair `{name}` are `{left}`", right.span)
        return False
    units = [sections.axes[axis].unit for axis in axes if axis in sections.axes]
    if len(set(units)) > 1:
        headline = f"the axes of the pair `{name}` have different units, {units[0]} and {units[1]}"
        groups.reading.error("units-of-a-pair", headline, name.span)
        return False
    return True


def _homing(name: Text, homing: Homing, groups: Groups, reading: Reading) -> None:
    if not groups.group(name):
        return
    pair = groups.pair_of(name)
    if pair is not None:
        headline = f"`{name}` is one side of the pair `{pair}`, and homing one side alone racks it"
        reading.error("homed-by-half", headline, name.span, help=f"Declare how the pair is homed: `{pair}:`.")
    pairs = [one for one in groups.pairs if set(groups.behind(one)) <= set(groups.behind(name))]
    if pairs and homing.square_limit is None:
        headline = f"the homing of the pair `{pairs[0]}` has no `square_limit`"
        help = "It says how far the second side may go on alone to its switch."
        reading.error("missing-key", headline, name.span, help=help)
    if not pairs and name not in groups.pair_names and homing.square_limit is not None:
        headline = f"`square_limit` is for pairs, and `{name}` is none"
        reading.error("not-for-one-axis", headline, homing.square_limit.span, help="Delete it.")
    if isinstance(homing.home_at, dict) and groups.behind(name):
        _edges(name, homing.home_at, groups, reading)


def spread_homing(sections: Sections, groups: Groups, reading: Reading) -> None:
    """
    What is declared under a named group or `all` holds for each of its axes and pairs that has no homing of its own.
    """
    named: dict[str, Text] = {}
    for name in sections.homing:
        if not groups.several(name):
            continue
        halved = groups.halved(name)
        if halved is not None:
            pair, lacking = halved
            headline = f"`{name}` has one side of the pair `{pair}`, and homing one side alone racks it"
            reading.error("homed-by-half", headline, name.span, help=f"Put `{lacking}` into it too.")
        for axis in () if name == ALL else groups.behind(name):
            first = named.setdefault(axis, name)
            if first != name and axis not in sections.homing and groups.pair_of(axis) not in sections.homing:
                headline = f"`{axis}` is in `{first}` and in `{name}`, which say each how it is homed"
                others = [Mark(first.span, "the first")]
                reading.error("named-twice", headline, name.span, others=others, help=f"Say it of `{axis}` itself.")
    sections.homing = spread_out(sections.homing, groups)


def spread_out(homing: Mapping[Text, Homing], groups: Groups) -> dict[Text, Homing]:
    """By axis and pair: its own, else that of a named group, else that of `all`."""
    spread = {name: one for name, one in homing.items() if not groups.several(name)}
    for name, one in sorted(homing.items(), key=lambda item: item[0] == ALL):
        if groups.several(name):
            for axis in groups.behind(name):
                spread.setdefault(Text(groups.pair_of(axis) or axis), one)
    return spread


def _edges(name: Text, edges: Mapping[Text, object], groups: Groups, reading: Reading) -> None:
    members = groups.behind(name)
    for axis in edges:
        if axis not in members:
            headline = f"`{shortened(axis)}` is no axis of `{name}`"
            reading.error("unknown-axis", headline, axis.span, help=did_you_mean(axis, members))
    lacking = [axis for axis in members if axis not in edges]
    if lacking and len(lacking) < len(members):
        headline = f"`home_at` of `{name}` says nothing of {' and '.join(f'`{axis}`' for axis in lacking)}"
        reading.error("missing-key", headline, next(iter(edges)).span, help="Name every axis of the pair.")
