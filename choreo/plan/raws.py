"""Raw values for what a step asks of several axes: alike on both sides of a pair, or a finding."""

from collections.abc import Callable, Mapping
from fractions import Fraction
from typing import NamedTuple

from choreo.diagnostic import Span
from choreo.plan.machine import Machine
from choreo.plan.rounding import Grid, equal_raws
from choreo.plan.state import Resolving
from choreo.units import show


class Wish(NamedTuple):
    """An exact value in an axis' unit, where it is written, and what its raw value may not mean more than."""

    value: Fraction
    place: Span | None
    limit: Fraction | None = None


def raws(
    resolving: Resolving, wishes: Mapping[int, Wish], grid_of: Callable[[int], Grid], what: str, per: str
) -> dict[int, int]:
    """
    The raw value of each axis' wish. `per` is what stands behind the axis' unit; `%` means per cent of something.

    The two sides of a pair that wish the same get what really means the same (P24), within the limits of both. What the
    wire cannot carry leaves a finding, and no entry.
    """
    found: dict[int, int] = {}
    for axis, wish in wishes.items():
        if axis in found:
            continue
        sides = _sides(resolving.machine, axis, wishes)
        limit = min((its for side in sides if (its := wishes[side].limit) is not None), default=None)
        key = (what, sides, wish.value, limit)
        rounded = resolving.rounded.get(key)
        if rounded is None:
            grids = [grid_of(side) for side in sides]
            try:
                rounded = resolving.rounded[key] = equal_raws(grids, wish.value, limit)
            except ValueError:
                _out_of_range(resolving, axis, grids, wish, what, per)
                continue
        found.update(zip(sides, rounded, strict=True))
    return found


def _sides(machine: Machine, axis: int, wishes: Mapping[int, Wish]) -> tuple[int, ...]:
    partner = machine.partners[axis]
    together = partner is not None and partner in wishes and wishes[partner].value == wishes[axis].value
    return (axis, partner) if together and partner is not None else (axis,)


def _out_of_range(resolving: Resolving, axis: int, grids: list[Grid], wish: Wish, what: str, per: str) -> None:
    plan = resolving.machine.axes[axis]
    unit = per if per == "%" else plan.unit + per
    low, high = show(max(grid.smallest for grid in grids), unit), show(min(grid.largest for grid in grids), unit)
    resolving.findings.add(
        "raw-range",
        f"a {what} of {show(wish.value, unit)} cannot be sent to {plan.name}, whose drive takes {low} to {high}",
        wish.place,
        "cannot be sent",
        help=f"Give a value from {low} to {high}.",
    )
