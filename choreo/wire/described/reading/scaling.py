"""What raw values mean, as a dialect file writes it: a unit, a table, a polynomial or a reciprocal."""

from collections.abc import Iterable, Mapping, Sequence
from fractions import Fraction
from itertools import pairwise
from math import lcm
from typing import NamedTuple, cast

from choreo.diagnostic import Mark, Span
from choreo.text.tree import Tree
from choreo.wire.described.reading.reader import LARGEST, Entry, PlacedText, Reader, value_of
from choreo.wire.dialect import RawScale, Rounding, Scale
from choreo.wire.scales import PolynomialScale, ReciprocalScale, TableScale

SPEED_UNIT = "counts/s"
#: The most codes that are looked at one by one.
MOST_CODES = 65_536

_KINDS = ("unit", "table", "polynomial", "reciprocal")
_ROUNDINGS = ("down", "up", "nearest")
_MOST_COEFFICIENTS = 6


class PlacedScale(NamedTuple):
    """A scale, and every raw value that the wire must be able to hold, with where it is written."""

    scale: Scale
    extremes: tuple[tuple[int, Span], ...]


class _Range(NamedTuple):
    low: int
    high: int
    places: tuple[Span, Span]


class _Said(NamedTuple):
    """What a file says of a scale: in `tree` what a code means, each kind in its way; the rest is said of all."""

    reader: Reader
    tree: Tree | None
    what: str
    unit: str
    way: Rounding
    special: Mapping[int, PlacedText]
    span: _Range | None  # None also for a table, which needs none

    @property
    def texts(self) -> Mapping[int, str] | None:
        """What special codes mean."""
        return {raw: entry.text for raw, entry in self.special.items()} or None

    @property
    def extremes(self) -> list[tuple[int, Span]]:
        """The special codes, which the wire must be able to hold too."""
        return [(raw, entry.span) for raw, entry in self.special.items()]

    def codes(self, range_: _Range) -> list[int]:
        """The codes of a range that mean an amount."""
        return [code for code in range(range_.low, range_.high + 1) if code not in self.special]

    def placed(self, scale: Scale, range_: _Range) -> PlacedScale:
        """The scale of a range of codes."""
        ends = ((range_.low, range_.places[0]), (range_.high, range_.places[1]))
        return PlacedScale(scale, (*ends, *self.extremes))


def read_scale(
    reader: Reader, tree: Tree | None, what: str, unit: str, others: tuple[str, ...] = ()
) -> PlacedScale | None:
    """The scale of a setting or of the speed of a move. `others` are the keys that the mapping has beside it."""
    entries = reader.open_mapping(tree, what)
    if entries is None or tree is None:
        return None
    kinds = [kind for kind in _KINDS if kind in entries]
    kind = kinds[0] if kinds else "unit"
    ends = () if kind == "table" else ("from", "to")
    parts = reader.mapping(tree, what, (*others, kind, *ends, "rounding"), ("special", *kinds[1:]))
    if len(kinds) > 1:
        help = f"Keep one of {', '.join(kinds)}."
        reader.error("scale", f"{what} says in {len(kinds)} ways what a code means", entries[kinds[1]].key.span, help)
        return None
    rounding = reader.choice(value_of(parts, "rounding"), f"the rounding of {what}", _ROUNDINGS)
    if rounding not in (None, "down") and unit == SPEED_UNIT and parts is not None:
        help = "Write `rounding: down`: a speed is never raised by rounding (practice.md P24)."
        reader.error("value", f"{what} is a speed and rounds {rounding}", parts["rounding"].value.span, help)
    special = reader.codes(value_of(parts, "special"), f"special values of {what}", 0)
    way = cast(Rounding, rounding or "down")
    span = None if kind == "table" else _read_range(reader, parts, what, 1 if kind == "reciprocal" else 0)
    make = {"unit": _linear, "table": _table, "polynomial": _polynomial, "reciprocal": _reciprocal}[kind]
    read = make(_Said(reader, value_of(parts, kind), what, unit, way, special, span))
    return None if rounding is None else read


def _read_range(reader: Reader, parts: Mapping[str, Entry] | None, what: str, least: int) -> _Range | None:
    low = reader.integer(value_of(parts, "from"), f"`from` of {what}", least, LARGEST)
    high = reader.integer(value_of(parts, "to"), f"`to` of {what}", least, LARGEST)
    if parts is None or low is None or high is None:
        return None
    places = parts["from"].value.span, parts["to"].value.span
    if low > high:
        reader.error("value", f"{what} goes from {low} to {high}", places[1], "Write the smaller behind `from`.")
        return None
    return _Range(low, high, places)


def _linear(said: _Said) -> PlacedScale | None:
    reader, tree, what, range_ = said.reader, said.tree, said.what, said.span
    step = reader.quantity(tree, f"the unit of {what}", said.unit)
    if step is not None and step <= 0 and tree is not None:
        what_is_wrong = f"the unit of {what} must be above zero"
        reader.error("value", what_is_wrong, tree.span, f"Write how much one raw step is, in {said.unit}.")
        return None
    if step is None or range_ is None:
        return None
    return said.placed(RawScale(step, range_.low, range_.high, said.way, said.texts), range_)


def _polynomial(said: _Said) -> PlacedScale | None:
    reader, tree, what, range_ = said.reader, said.tree, said.what, said.span
    items = reader.items(tree, f"the polynomial of {what}")
    if items is None or tree is None:
        return None
    if not 2 <= len(items) <= _MOST_COEFFICIENTS:
        help = f"Write the coefficients of code^0, code^1 and so on: 2 to {_MOST_COEFFICIENTS} of them."
        reader.error("scale", f"the polynomial of {what} has {len(items)} coefficients", tree.span, help)
        return None
    read = [reader.quantity(item, f"a coefficient of {what}", said.unit) for item in items]
    coefficients = tuple(coefficient for coefficient in read if coefficient is not None)
    if len(coefficients) < len(read) or range_ is None or not _few(reader, range_, what):
        return None
    codes = said.codes(range_)
    if not _any_left(reader, codes, tree, what):
        return None
    scale = PolynomialScale(coefficients, range_.low, range_.high, said.way, said.texts)
    meanings = _multiples(coefficients, codes)
    return said.placed(scale, range_) if _monotone(reader, meanings, tree.span, what) else None


def _multiples(coefficients: Sequence[Fraction], codes: Iterable[int]) -> list[tuple[int, Fraction | int]]:
    """Codes and their meanings times a common denominator: whole numbers are quick to compare."""
    common = lcm(*(coefficient.denominator for coefficient in coefficients))
    whole = [int(coefficient * common) for coefficient in reversed(coefficients)]
    found: list[tuple[int, Fraction | int]] = []
    for code in codes:
        value = 0
        for factor in whole:
            value = value * code + factor
        found.append((code, value))
    return found


def _reciprocal(said: _Said) -> PlacedScale | None:
    reader, tree, what, range_ = said.reader, said.tree, said.what, said.span
    dividend = reader.quantity(tree, f"the reciprocal of {what}", said.unit)
    if dividend is None or tree is None:
        return None
    if dividend <= 0:
        help = f"Write what code 1 means, in {said.unit}."
        reader.error("value", f"the reciprocal of {what} must be above zero", tree.span, help)
        return None
    if range_ is None or not _few(reader, range_, what):
        return None
    if not _any_left(reader, said.codes(range_), tree, what):
        return None
    # k / code falls strictly for every k above zero: that is proved without looking at the codes.
    return said.placed(ReciprocalScale(dividend, range_.low, range_.high, said.way, said.texts), range_)


def _table(said: _Said) -> PlacedScale | None:
    reader, tree, what, special = said.reader, said.tree, said.what, said.special
    entries = reader.open_mapping(tree, f"the table of {what}")
    if entries is None or tree is None:
        return None
    before = len(reader.findings)
    found: dict[int, tuple[Fraction, Span]] = {}
    for entry in entries.values():
        code = reader.integer(entry.key, f"a code of {what}", 0, LARGEST)
        meaning = reader.quantity(entry.value, f"what {entry.key} means for {what}", said.unit)
        if code is None or meaning is None:
            continue
        if code in found or code in special:
            other = Mark(found[code][1] if code in found else special[code].span, "the other one")
            reader.error("duplicate", f"{what} has code {code} twice", entry.key.span, "Keep one.", other)
        found[code] = meaning, entry.key.span
    if len(reader.findings) > before or not _any_left(reader, found, tree, what):
        return None
    meanings: list[tuple[int, Fraction | int]] = [(code, found[code][0]) for code in sorted(found)]
    if not _monotone(reader, meanings, tree.span, what):
        return None
    scale = TableScale({code: meaning for code, (meaning, _) in found.items()}, said.way, said.texts)
    return PlacedScale(scale, (*((code, span) for code, (_, span) in found.items()), *said.extremes))


def _few(reader: Reader, range_: _Range, what: str) -> bool:
    count = range_.high - range_.low + 1
    if count > MOST_CODES:
        help = f"Each code is looked at: narrow the range to at most {MOST_CODES:,}."
        reader.error("scale", f"{what} has {count:,} codes", range_.places[1], help)
    return count <= MOST_CODES


def _any_left(reader: Reader, codes: Iterable[int], tree: Tree, what: str) -> bool:
    if any(True for _ in codes):
        return True
    reader.error("scale", f"{what} has no code that means a value", tree.span, "Give it at least one.")
    return False


def _monotone(reader: Reader, meanings: list[tuple[int, Fraction | int]], span: Span, what: str) -> bool:
    """Strictly rising or strictly falling, nowhere below zero, somewhere above it."""
    rising = meanings[-1][1] > meanings[0][1]
    for (code, one), (after, other) in pairwise(meanings):
        if one == other or (other > one) is not rising:
            so = "the same" if one == other else "less" if rising else "more"
            help = "The meaning must rise with every code, or fall with every code; leave out the codes that do not."
            headline = f"{what}: code {after} means {so} {'as' if so == 'the same' else 'than'} code {code}"
            reader.error("not-monotone", headline, span, help)
            return False
    if min(meanings[0][1], meanings[-1][1]) < 0 or max(meanings[0][1], meanings[-1][1]) <= 0:
        help = "Leave out the codes that mean less than nothing: a setting is an amount."
        reader.error("value", f"{what} has codes that mean less than zero, or none that means more", span, help)
        return False
    return True
