"""
The recipe's quantities as exact numbers, and the findings that come up on the way.

A quantity is converted to the axis' own unit only; whether mm fit a deg axis is decided here.
"""

from collections.abc import Iterable, Iterator
from fractions import Fraction

from choreo.diagnostic import Finding, Mark, Span
from choreo.motion.scaling import round_half_up
from choreo.recipe.model import Recipe
from choreo.recipe.scalars import Amount
from choreo.units import UnitError

#: What is put behind an axis' unit for a speed, an acceleration, a jerk; nothing for a position or a distance.
SPEED, ACCELERATION, JERK = "/s", "/s^2", "/s^3"


class Findings:
    """Findings as they come up; the same rule at the same place is kept once, the first time it is met."""

    def __init__(self) -> None:
        self._kept: dict[tuple[str, Span | None], Finding] = {}

    def add(
        self,
        rule: str,
        headline: str,
        span: Span | None,
        label: str = "",
        *,
        others: Iterable[Mark] = (),
        help: str = "",
        note: str = "",
    ) -> None:
        """One error. `span` is the smallest text that the author would edit."""
        primary = None if span is None else Mark(span, label)
        self._kept.setdefault((rule, span), Finding(rule, headline, primary, tuple(others), help, note))

    def __iter__(self) -> Iterator[Finding]:
        return iter(self._kept.values())

    def __len__(self) -> int:
        return len(self._kept)


class Amounts:
    """Reads the amounts of one recipe. What does not fit leaves a finding and gives None."""

    def __init__(self, recipe: Recipe, findings: Findings) -> None:
        self._recipe = recipe
        self._findings = findings

    def plain(self, amount: Amount, unit: str) -> Fraction | None:
        """In a unit that no axis has a say in: `%`, `Hz`, `bit/s`, `counts`."""
        quantity = self._recipe.quantity(amount)
        try:
            return quantity.to(unit)
        except UnitError as problem:
            self._findings.add("unit", str(problem), amount.span, help=f"Give it in {unit}.")
            return None

    def time_ns(self, amount: Amount) -> int:
        """A time, in nanoseconds; 0 for what is none."""
        time = self.plain(amount, "ns")
        return 0 if time is None else round_half_up(time)

    def travel(self, amount: Amount, axis: str, unit: str, per: str = "") -> Fraction | None:
        """A position or a distance (`per` empty) or a rate of `axis`, in its unit."""
        quantity = self._recipe.quantity(amount)
        try:
            return quantity.to(unit + per)
        except UnitError:
            self._findings.add(
                "unit",
                f"{quantity.text()} does not fit {axis}, whose unit is {unit}: {unit}{per} is wanted here",
                amount.span,
                help=f"Give it in {unit}{per} or another unit of that kind.",
            )
            return None
