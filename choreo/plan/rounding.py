"""
Raw values: what goes on the wire for an exact speed, acceleration or jerk, and what it then really means.

A speed is rounded down, never to a value that means something else, and the two sides of a pair come out equal
(practice.md P24, common practice, no source). However a dialect rounds, nothing is rounded to more than a limit.
"""

from collections.abc import Iterator, Sequence
from fractions import Fraction
from math import gcd, lcm
from typing import NamedTuple

from choreo.wire.dialect import RawScale, Scale
from choreo.wire.scales import CodeScale


class Grid(NamedTuple):
    """
    The raw unit of one axis in its own unit. Where the unit is linear, one raw step is `step` units/s (or /s^2, /s^3);
    elsewhere there is no such step.
    """

    scale: Scale
    counts_per_unit: Fraction
    step: Fraction | None

    @classmethod
    def of(cls, scale: Scale, counts_per_unit: Fraction) -> "Grid":
        """The grid of a dialect's raw unit on an axis."""
        step = abs(scale.step / counts_per_unit) if isinstance(scale, RawScale) else None
        return cls(scale, counts_per_unit, step)

    def raw(self, value: Fraction) -> int:
        """Rounded as the dialect says. Raises ValueError when the wire cannot carry it."""
        return self.scale.to_raw(abs(value * self.counts_per_unit))

    def real(self, raw: int) -> Fraction:
        """What a raw value means, in the axis' unit. Raises ValueError for a code that means nothing."""
        if self.step is not None:
            return raw * self.step
        return self.scale.from_raw(raw) / abs(self.counts_per_unit)

    def within(self, value: Fraction, limit: Fraction | None) -> int:
        """
        Rounded as the dialect says, but to no raw value that means more than `limit`: then the largest that does not.
        Raises ValueError when there is none, or when the wire cannot carry `value`.
        """
        raw = self.raw(value)
        if limit is None or self.real(raw) <= limit:
            return raw
        most = raw_at_most(self.scale, limit * abs(self.counts_per_unit))
        if most is None:
            raise ValueError(f"no raw value means {limit} or less")
        return most

    def just(self, value: Fraction) -> int | None:
        """The raw value that means exactly `value`; None where there is none."""
        raw = raw_at_most(self.scale, value * abs(self.counts_per_unit))
        return raw if raw is not None and self.real(raw) == value else None

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
        return self.scale.ceiling / abs(self.counts_per_unit)


def lowest_raw(scale: Scale) -> int:
    """The raw value with the smallest meaning above nothing that means nothing else."""
    return scale.slowest


def raw_at_most(scale: Scale, physical: Fraction) -> int | None:
    """The lawful raw value with the largest meaning, in counts, up to `physical`; None when all are above."""
    return scale.at_most(physical)


def equal_raws(grids: Sequence[Grid], value: Fraction, limit: Fraction | None = None) -> list[int]:
    """
    Raw values, one a grid, that all mean the same: the largest such value that is not above `value`.

    Where the grids are alike this is each one's own rounding, which may go up, though not above `limit`; otherwise the
    values that they have in common are looked for. Raises ValueError when they have none so small, or when the wire
    cannot carry it.
    """
    first = grids[0]
    if all(_alike(first, grid) for grid in grids):
        return [grid.within(value, limit) for grid in grids]
    value = value if limit is None else min(value, limit)
    steps = [grid.step for grid in grids if grid.step is not None]
    if len(steps) == len(grids):
        common = Fraction(lcm(*(step.numerator for step in steps)), gcd(*(step.denominator for step in steps)))
        shared = value // common * common
        if shared > 0:
            return [grid.raw(shared) for grid in grids]
    coded = next((grid for grid in grids if isinstance(grid.scale, CodeScale)), first)
    for shared in _meanings(coded, value):
        found = [grid.just(shared) for grid in grids]
        raws = [other for other in found if other is not None]
        if len(raws) == len(grids):
            return raws
    raise ValueError("the two sides have no raw value in common that is so small")


def _alike(one: Grid, other: Grid) -> bool:
    """Whether the same value is rounded to the same meaning on both."""
    if one.step is not None and other.step is not None:
        return one.step == other.step and one.scale.rounding == other.scale.rounding
    return one.scale == other.scale and abs(one.counts_per_unit) == abs(other.counts_per_unit)


def _meanings(grid: Grid, value: Fraction) -> Iterator[Fraction]:
    """What the codes of a grid mean, from `value` down; nothing where it has no codes."""
    if isinstance(grid.scale, CodeScale):
        yield from (grid.real(raw) for raw in grid.scale.falling(value * abs(grid.counts_per_unit)))
