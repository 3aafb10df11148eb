"""
Raw values: what goes on the wire for an exact speed, acceleration or jerk, and what it then really means.

A speed is rounded down, never to a value that means something else, and the two sides of a pair come out equal
(practice.md P24, common practice, no source).
"""

from collections.abc import Sequence
from fractions import Fraction
from math import gcd, lcm
from typing import NamedTuple

from choreo.wire.dialect import RawScale


class Grid(NamedTuple):
    """The raw unit of one axis in its own unit: one raw step is `step` units/s (or /s^2, /s^3)."""

    scale: RawScale
    counts_per_unit: Fraction
    step: Fraction

    @classmethod
    def of(cls, scale: RawScale, counts_per_unit: Fraction) -> "Grid":
        """The grid of a dialect's raw unit on an axis."""
        return cls(scale, counts_per_unit, abs(scale.step / counts_per_unit))

    def raw(self, value: Fraction) -> int:
        """Rounded as the dialect says. Raises ValueError when the wire cannot carry it."""
        return self.scale.to_raw(abs(value * self.counts_per_unit))

    def real(self, raw: int) -> Fraction:
        """What a raw value means, in the axis' unit."""
        return raw * self.step

    @property
    def lowest(self) -> int:
        """The raw value of the smallest."""
        return lowest_raw(self.scale)

    @property
    def smallest(self) -> Fraction:
        """The smallest value that the wire can carry."""
        return self.real(self.lowest)

    @property
    def largest(self) -> Fraction:
        """The largest value that the wire can carry."""
        return self.real(self.scale.maximum)


def lowest_raw(scale: RawScale) -> int:
    """The smallest raw value that means more than nothing and nothing else: at least 1."""
    raw = max(scale.minimum, 1)
    while scale.special and raw in scale.special:
        raw += 1
    return raw


def raw_at_most(scale: RawScale, physical: Fraction) -> int | None:
    """The largest lawful raw value that means `physical` (in counts) or less; None when even the smallest is more."""
    raw = min(physical // scale.step, scale.maximum)
    while scale.special and raw in scale.special:
        raw -= 1
    return raw if raw >= lowest_raw(scale) else None


def equal_raws(grids: Sequence[Grid], value: Fraction) -> list[int]:
    """
    Raw values, one a grid, that all mean the same: the largest such value that is not above `value`.

    Where the grids are alike this is each one's own rounding; otherwise the steps that they have in common are used.
    Raises ValueError when they have none so small, or when the wire cannot carry it.
    """
    steps = [grid.step for grid in grids]
    if len(set(steps)) == 1:
        return [grid.raw(value) for grid in grids]
    common = Fraction(lcm(*(step.numerator for step in steps)), gcd(*(step.denominator for step in steps)))
    shared = value // common * common
    if shared <= 0:
        raise ValueError("the two sides have no raw value in common that is so small")
    return [grid.raw(shared) for grid in grids]
