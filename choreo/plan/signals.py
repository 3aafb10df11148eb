"""Inputs, outputs and what is demanded of them, as a plan holds them."""

from dataclasses import dataclass, field
from fractions import Fraction

from choreo.diagnostic import Span

#: How far the real place of an axis may be from the planned one, at the lowest and at the highest, in its unit.
Spread = tuple[Fraction, Fraction]
CERTAIN: Spread = (Fraction(0), Fraction(0))


@dataclass(frozen=True, slots=True)
class InputPlan:
    """
    One input. `bit` is the dialect's name for it, or what the recipe says where the dialect has none such (a check
    refuses that); it is on while the bit is `active_high`. A change counts when it has lasted `debounce_ns`.
    """

    index: int
    name: str
    axis: int
    bit: str
    active_high: bool
    debounce_ns: int
    place: Span = field(compare=False)


@dataclass(frozen=True, slots=True)
class OutputPlan:
    """One output: the axis whose drive has it, and its number there."""

    index: int
    name: str
    axis: int
    number: int
    place: Span = field(compare=False)


@dataclass(frozen=True, slots=True)
class Demands:
    """Inputs by index: those that must be on while anything can move; the levels before anything can move."""

    interlocks: tuple[int, ...] = ()
    required: tuple[tuple[int, bool], ...] = ()
