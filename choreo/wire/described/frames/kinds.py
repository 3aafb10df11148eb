"""
How an integer becomes bits: the kinds of number that the trade's drives send.

A kind turns a value into the unsigned integer of its bits and back. What no value turns into (a BCD digit of ten, a
minus zero, a float that is no number) it refuses when received. `limits` says which bit patterns a span of values can
have at most: by that two messages are told apart, or not, when a dialect is read.
"""

import struct
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from math import floor
from typing import NamedTuple, Protocol

#: From, to, both included.
Span = tuple[int, int]


class Limit(NamedTuple):
    """So many bits, from bit `at` of the number up, are a number in one of `spans`."""

    at: int
    bits: int
    spans: tuple[Span, ...]


class Kind(Protocol):
    """How a number of so many bits is written."""

    @property
    def word(self) -> str:
        """As a dialect file calls it."""
        ...

    @property
    def bits(self) -> int:
        """How many."""
        ...

    @property
    def bounds(self) -> Span:
        """The smallest and the largest value that it holds."""
        ...

    def to_wire(self, value: int) -> int:
        """The bits of a value within the bounds, as an unsigned integer."""
        ...

    def from_wire(self, raw: int) -> int | None:
        """The value; None for bits that no value has. Never raises."""
        ...

    def limits(self, spans: Iterable[Span]) -> tuple[Limit, ...]:
        """What holds for the bits of every value in `spans`; others may have such bits too."""
        ...


@dataclass(frozen=True, slots=True)
class Linear:
    """`unsigned`, `signed` (two's complement) and `offset_binary` (the value and half of the range)."""

    word: str
    bits: int

    @property
    def offset(self) -> int:
        """What is added to the value before it is written."""
        return 0 if self.word == "unsigned" else 1 << (self.bits - 1)

    @property
    def flip(self) -> int:
        """The bits that are turned round after that: the top one makes two's complement of offset binary."""
        return self.offset if self.word == "signed" else 0

    @property
    def bounds(self) -> Span:
        """The smallest and the largest value that it holds."""
        return -self.offset, (1 << self.bits) - 1 - self.offset

    def to_wire(self, value: int) -> int:
        """The bits of a value."""
        return (value + self.offset) ^ self.flip

    def from_wire(self, raw: int) -> int:
        """The value: all bits mean one."""
        return (raw ^ self.flip) - self.offset

    def limits(self, spans: Iterable[Span]) -> tuple[Limit, ...]:
        """The spans themselves, of negative and other values apart: their bits are in one piece each."""
        found = [(self.to_wire(low), self.to_wire(high)) for low, high in _by_sign(spans)]
        return (Limit(0, self.bits, tuple(found)),)


@dataclass(frozen=True, slots=True)
class SignMagnitude:
    """The top bit is the sign, the others the amount. A minus zero is refused."""

    bits: int
    word = "sign_magnitude"

    @property
    def bounds(self) -> Span:
        """The smallest and the largest value that it holds."""
        most = (1 << (self.bits - 1)) - 1
        return -most, most

    def to_wire(self, value: int) -> int:
        """The bits of a value."""
        return value if value >= 0 else -value | 1 << (self.bits - 1)

    def from_wire(self, raw: int) -> int | None:
        """The value."""
        sign = 1 << (self.bits - 1)
        if raw < sign:
            return raw
        return None if raw == sign else sign - raw

    def limits(self, spans: Iterable[Span]) -> tuple[Limit, ...]:
        """Amounts in one piece for each sign."""
        ends = [sorted((self.to_wire(low), self.to_wire(high))) for low, high in _by_sign(spans)]
        return (Limit(0, self.bits, tuple((low, high) for low, high in ends)),)


@dataclass(frozen=True, slots=True)
class Bcd:
    """Packed decimal digits of four bits (binary-coded decimal). A digit above nine is refused."""

    bits: int
    word = "bcd"

    @property
    def bounds(self) -> Span:
        """The smallest and the largest value that it holds."""
        return 0, 10 ** (self.bits // 4) - 1

    def to_wire(self, value: int) -> int:
        """The digits, read as hexadecimal ones."""
        return int(str(value), 16)

    def from_wire(self, raw: int) -> int | None:
        """The value."""
        digits = f"{raw:x}"
        return int(digits) if digits.isdecimal() else None

    def limits(self, spans: Iterable[Span]) -> tuple[Limit, ...]:
        """Every digit is 0 to 9; the whole keeps the order of the values."""
        whole = tuple((self.to_wire(low), self.to_wire(high)) for low, high in spans)
        return (Limit(0, self.bits, whole), *_digits(self.bits // 4))


@dataclass(frozen=True, slots=True)
class SignedBcd:
    """BCD with a sign in the topmost digit: 0 plus, 9 minus. Other signs, and a minus zero, are refused."""

    bits: int
    word = "signed_bcd"

    @property
    def bounds(self) -> Span:
        """The smallest and the largest value that it holds."""
        most = 10 ** (self.bits // 4 - 1) - 1
        return -most, most

    def to_wire(self, value: int) -> int:
        """Sign and digits."""
        return int(str(abs(value)), 16) | (9 << (self.bits - 4) if value < 0 else 0)

    def from_wire(self, raw: int) -> int | None:
        """The value."""
        sign, amount = raw >> (self.bits - 4), raw & ((1 << (self.bits - 4)) - 1)
        digits = f"{amount:x}"
        if sign not in (0, 9) or not digits.isdecimal():
            return None
        if not sign:
            return int(digits)
        return -int(digits) if amount else None

    def limits(self, spans: Iterable[Span]) -> tuple[Limit, ...]:
        """A sign, and digits of 0 to 9; amounts keep their order within a sign."""
        ends = [sorted((self.to_wire(low), self.to_wire(high))) for low, high in _by_sign(spans)]
        whole = tuple((low, high) for low, high in ends)
        sign = Limit(self.bits - 4, 4, ((0, 0), (9, 9)))
        return (Limit(0, self.bits, whole), sign, *_digits(self.bits // 4 - 1))


class _Format(NamedTuple):
    """IEEE 754: bits of the significand with the hidden one, smallest exponent of its last bit, largest number."""

    form: str
    precision: int
    last_bit: int
    largest: int


_FORMATS: Mapping[int, _Format] = {
    32: _Format(">f", 24, -149, (2**24 - 1) << 104),
    64: _Format(">d", 53, -1074, (2**53 - 1) << 971),
}
#: How far from a whole number of steps a received float may lie, in steps: a drive that multiplies in floats is not
#: always as near as can be.
_NEAR = Fraction(1, 4)


@dataclass(frozen=True, slots=True)
class Float:
    """
    IEEE 754 of 32 or 64 bits. The integer r stands for `r * step`, rounded to the nearest float.

    It holds whole numbers as far as the floats there lie no farther apart than a step. No number, infinity, and what
    lies more than a quarter of a step from a whole number and is not the nearest float to one, are refused.
    """

    bits: int
    step: Fraction = Fraction(1)
    word = "float"

    @property
    def bounds(self) -> Span:
        """Symmetric; 0 to 0 where the step is too small or too large for any other."""
        most = _most(self.bits, self.step)
        return -most, most

    def to_wire(self, value: int) -> int:
        """The bits of the nearest float, to even where two are as near."""
        at = _FORMATS[self.bits]
        exact = value * self.step
        if exact:
            last = max(_floor_log2(abs(exact)) - at.precision + 1, at.last_bit)
            exact = round(exact / Fraction(2) ** last) * Fraction(2) ** last
        return int.from_bytes(struct.pack(at.form, float(exact)), "big")

    def from_wire(self, raw: int) -> int | None:
        """The value."""
        (number,) = struct.unpack(_FORMATS[self.bits].form, raw.to_bytes(self.bits // 8, "big"))
        if number != number or number in (float("inf"), float("-inf")):
            return None
        steps = Fraction(number) / self.step
        value = round(steps)
        low, high = self.bounds
        if not low <= value <= high:
            return None
        return value if abs(steps - value) <= _NEAR or self.to_wire(value) == raw else None

    def limits(self, spans: Iterable[Span]) -> tuple[Limit, ...]:
        """None that is simple."""
        return ()


@lru_cache(maxsize=64)
def _most(bits: int, step: Fraction) -> int:
    at = _FORMATS[bits]
    exponent = _floor_log2(step)  # of the last bit of the largest floats that lie no farther than a step apart
    if exponent < at.last_bit:
        return 0
    return floor(min(Fraction(2) ** (exponent + at.precision), Fraction(at.largest)) / step)


def _floor_log2(number: Fraction) -> int:
    """The largest e with 2**e <= number, for a number above zero."""
    guess = number.numerator.bit_length() - number.denominator.bit_length()
    return guess if Fraction(2) ** guess <= number else guess - 1


def _by_sign(spans: Iterable[Span]) -> list[Span]:
    """The same, negative values and others in spans of their own."""
    found: list[Span] = []
    for low, high in spans:
        if low < 0:
            found.append((low, min(high, -1)))
        if high >= 0:
            found.append((max(low, 0), high))
    return found


def _digits(count: int) -> list[Limit]:
    return [Limit(4 * place, 4, ((0, 9),)) for place in range(count)]


#: By the word in a dialect file: what makes one of a width.
LINEAR = ("unsigned", "signed", "offset_binary")
WORDS = (*LINEAR, "sign_magnitude", "bcd", "signed_bcd", "float")


def kind_of(word: str, bits: int, step: Fraction = Fraction(1)) -> Kind:
    """
    A kind by its word. Raises ValueError, saying which widths it can have, for a width that it cannot.
    """
    if not 1 <= bits <= 64:
        raise ValueError("1 to 64 bits")
    if word in LINEAR:
        return Linear(word, bits)
    if word == "sign_magnitude":
        return _made(bits >= 2, "2 to 64 bits", SignMagnitude(bits))
    if word == "bcd":
        return _made(bits % 4 == 0, "a multiple of 4 bits, up to 64", Bcd(bits))
    if word == "signed_bcd":
        return _made(bits % 4 == 0 and bits >= 8, "a multiple of 4 bits, from 8 to 64", SignedBcd(bits))
    return _made(bits in _FORMATS, "32 or 64 bits", Float(bits, step))


def _made(lawful: bool, widths: str, kind: Kind) -> Kind:
    if not lawful:
        raise ValueError(widths)
    return kind
