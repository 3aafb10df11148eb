"""
What raw codes mean: in counts, counts/s, counts/s², counts/s³ or per cent.

A drive looks a code up; it never has to find the code for a value, but the makers of its truth do (`nearest`).
"""

from bisect import bisect_right
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from math import inf

from choreo_sim.yaml_tree import Node

UNITS = {unit: Fraction(1) for unit in ("counts", "counts/s", "counts/s^2", "counts/s^3", "%")}
MOST_CODES = 1 << 16
_WIDEST_CODE = 1 << 64


@dataclass(frozen=True, slots=True)
class SettingRule:
    """
    One setting, or the speed that goes with a move: `meaning_of` says what a raw code means; codes in `special` mean
    something else (0: no limit). `number` is -1 for what is no setting.
    """

    name: str
    number: int
    low: int
    high: int
    special: frozenset[int]
    meaning_of: Callable[[int], Fraction]
    codes: tuple[int, ...] = field(default=(), repr=False)  # in order of what they mean, where they are enumerated

    @property
    def step(self) -> Fraction:
        """What a raw 1 means, where the scale is linear; what one code more means at the low end, where it is not."""
        return self.meaning_of(1) if not self.codes else self.meaning_of(self.low + 1) - self.meaning_of(self.low)

    def allows(self, raw: int) -> bool:
        """Whether a raw code may be written."""
        return self.low <= raw <= self.high and (not self.codes or raw in self.codes or raw in self.special)

    def meaning(self, raw: int) -> float:
        """What a raw code means; infinite where it says that there is no limit."""
        if raw in self.special:
            return inf
        return float(self.meaning_of(raw))

    def nearest(self, physical: Fraction) -> int:
        """The raw code that means `physical` or, else, the next lower thing that can be said; never a special one."""
        if not self.codes:
            raw = min(max(physical // self.meaning_of(1), self.low), self.high)
            while raw in self.special and raw < self.high:
                raw += 1
            return raw
        usual = [code for code in self.codes if code not in self.special]
        place = bisect_right([self.meaning_of(code) for code in usual], physical)
        return usual[max(place - 1, 0)]


def rule_of(name: str, node: Node, *, number: int | None = None) -> SettingRule:
    """A setting of a dialect file; RecipeError for a scale that is none."""
    given = node.mapping()
    special = given["special"].mapping() if "special" in given else {}
    if number is None:
        number = node.need("number").integer(0, 0xFFFFFFFF)
    codes_special = frozenset(Node(text.place, code).integer(0, _WIDEST_CODE) for code, text in special.items())
    meaning, low, high, enumerated = _scale(node, given)
    if low > high:
        raise given["to"].error(f"{high} lies below {low}")
    codes = tuple(sorted(enumerated, key=meaning))
    values = [meaning(code) for code in codes if code not in codes_special]
    if len(set(values)) < len(values):
        raise node.error("two codes mean the same")
    return SettingRule(name, number, low, high, codes_special, meaning, codes)


def _scale(node: Node, given: Mapping[str, Node]) -> tuple[Callable[[int], Fraction], int, int, tuple[int, ...]]:
    """The meaning of a code, the lowest and highest code, and all codes where they are enumerated."""
    kinds = [kind for kind in ("unit", "table", "polynomial", "reciprocal") if kind in given]
    if len(kinds) != 1:
        raise node.error("exactly one of `unit`, `table`, `polynomial` and `reciprocal` is needed here")
    if kinds == ["table"]:
        rows = given["table"].mapping()
        table = {Node(row.place, code).integer(0, _WIDEST_CODE): row.amount(UNITS) for code, row in rows.items()}
        if not table:
            raise given["table"].error("a table needs a row")
        return table.__getitem__, min(table), max(table), tuple(table)
    low, high = node.need("from").integer(0, _WIDEST_CODE), node.need("to").integer(0, _WIDEST_CODE)
    if kinds == ["unit"]:
        step = given["unit"].amount(UNITS)
        if step <= 0:
            raise given["unit"].error("a unit must be above zero")
        return step.__mul__, low, high, ()
    if high - low >= MOST_CODES:
        raise given["to"].error(f"at most {MOST_CODES} codes are enumerated")
    codes = tuple(range(low, high + 1))
    if kinds == ["polynomial"]:
        terms = [term.amount(UNITS) for term in given["polynomial"].items()]

        def formula(code: int) -> Fraction:
            total = Fraction(0)
            for term in reversed(terms):
                total = total * code + term
            return total

        return formula, low, high, codes
    share = given["reciprocal"].amount(UNITS)
    if not low:
        raise given["from"].error("nothing is divided by a code of 0")
    return share.__truediv__, low, high, codes
