"""
Raw units that are not linear: tables of codes, polynomials of a code, reciprocals.

A scale is strictly monotone over its codes, rising or falling, which is proved when a dialect is read; here it is
relied on. Meanings are exact.
"""

from bisect import bisect_right
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction

from choreo.wire.dialect import Rounding


class CodeScale:
    """What the three kinds have in common. `codes` are the lawful codes in rising order of meaning, none special."""

    __slots__ = ()

    rounding: Rounding
    special: Mapping[int, str] | None
    codes: Sequence[int]

    def from_raw(self, raw: int) -> Fraction:
        """What a code means."""
        raise NotImplementedError

    @property
    def minimum(self) -> int:
        """The smallest code."""
        return min(self.codes[0], self.codes[-1])

    @property
    def maximum(self) -> int:
        """The largest code."""
        return max(self.codes[0], self.codes[-1])

    @property
    def floor(self) -> Fraction:
        """The smallest meaning."""
        return self.from_raw(self.codes[0])

    @property
    def ceiling(self) -> Fraction:
        """The largest meaning."""
        return self.from_raw(self.codes[-1])

    @property
    def slowest(self) -> int:
        """The code with the smallest meaning above zero."""
        return self.codes[bisect_right(self.codes, Fraction(0), key=self.from_raw)]

    def at_most(self, physical: Fraction) -> int | None:
        """The code with the largest meaning that is above zero and not above `physical`; None when there is none."""
        place = bisect_right(self.codes, physical, key=self.from_raw) - 1
        return self.codes[place] if place >= 0 and self.from_raw(self.codes[place]) > 0 else None

    def falling(self, physical: Fraction) -> Iterator[int]:
        """The codes that mean `physical` or less and more than nothing, from the largest meaning down."""
        for place in range(bisect_right(self.codes, physical, key=self.from_raw) - 1, -1, -1):
            if self.from_raw(self.codes[place]) <= 0:
                return
            yield self.codes[place]

    def to_raw(self, physical: Fraction) -> int:
        """The code for `physical`, rounded as the dialect says; ValueError below the smallest or above the largest."""
        if not self.floor <= physical <= self.ceiling:
            raise ValueError(f"{physical} is outside {self.floor} to {self.ceiling}")
        place = bisect_right(self.codes, physical, key=self.from_raw) - 1
        below = self.codes[place]
        exact = self.from_raw(below)
        if self.rounding == "down" or exact == physical:
            return below
        above = self.codes[place + 1]
        if self.rounding == "up":
            return above
        return above if 2 * physical >= exact + self.from_raw(above) else below


@dataclass(frozen=True, slots=True)
class TableScale(CodeScale):
    """Every code with its meaning."""

    table: Mapping[int, Fraction]
    rounding: Rounding = "down"
    special: Mapping[int, str] | None = None
    codes: Sequence[int] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "codes", tuple(sorted(self.table, key=lambda code: self.table[code])))

    def from_raw(self, raw: int) -> Fraction:
        """What a code means. Raises ValueError for one that is not in the table."""
        meaning = self.table.get(raw)
        if meaning is None:
            raise ValueError(f"code {raw} is not in the table")
        return meaning


@dataclass(frozen=True, slots=True)
class PolynomialScale(CodeScale):
    """Codes `first` to `last` mean the polynomial with these coefficients, of code^0, code^1 and so on."""

    coefficients: tuple[Fraction, ...]
    first: int
    last: int
    rounding: Rounding = "down"
    special: Mapping[int, str] | None = None
    codes: Sequence[int] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "codes", _rising(self, self.first, self.last, self.special))

    def from_raw(self, raw: int) -> Fraction:
        """What a code means (Horner's scheme)."""
        value = Fraction(0)
        for coefficient in reversed(self.coefficients):
            value = value * raw + coefficient
        return value


@dataclass(frozen=True, slots=True)
class ReciprocalScale(CodeScale):
    """Codes `first` (at least 1) to `last` mean `dividend / code`: the larger the code, the smaller the meaning."""

    dividend: Fraction
    first: int
    last: int
    rounding: Rounding = "down"
    special: Mapping[int, str] | None = None
    codes: Sequence[int] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "codes", _rising(self, self.first, self.last, self.special))

    def from_raw(self, raw: int) -> Fraction:
        """What a code means. Raises ValueError for 0."""
        if not raw:
            raise ValueError("code 0 means nothing")
        return self.dividend / raw


def _rising(scale: CodeScale, first: int, last: int, special: Mapping[int, str] | None) -> Sequence[int]:
    """The codes in rising order of meaning, without those that mean something else."""
    codes: Sequence[int] = range(first, last + 1)
    if special and any(first <= code <= last for code in special):
        codes = tuple(code for code in codes if code not in special)
    return codes[::-1] if scale.from_raw(codes[0]) > scale.from_raw(codes[-1]) else codes
