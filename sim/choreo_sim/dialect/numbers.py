"""
How a whole number stands in so many bits: the ways in which drives write signed and unsigned values.

A notation turns a value into raw bits and raw bits into a value. It raises ValueError for a value that it cannot hold,
and gives None for bits that are no value.
"""

import struct
from dataclasses import dataclass
from fractions import Fraction
from math import floor, isfinite, log2
from typing import Protocol

from choreo_sim.yaml_tree import Node, one_of

#: How far a float may lie from a whole number of steps and still be taken for it, in steps.
OFF_WHOLE = Fraction(1, 4)
DIGIT = 4  # bits of a packed decimal digit
PLUS, MINUS = 0, 9  # the topmost digit of a signed decimal


class Notation(Protocol):
    """One way to write a whole number in `bits` bits; `low` to `high` is what it can hold."""

    bits: int
    low: int
    high: int

    def write(self, value: int) -> int:
        """The raw bits of a value within `low` to `high`."""
        ...

    def read(self, raw: int) -> int | None:
        """The value of raw bits; None if they are none."""
        ...


@dataclass(slots=True)
class Plain:
    """Unsigned."""

    bits: int
    low: int = 0
    high: int = 0

    def __post_init__(self) -> None:
        self.high = (1 << self.bits) - 1

    def write(self, value: int) -> int:
        """See the protocol."""
        return value

    def read(self, raw: int) -> int | None:
        """See the protocol."""
        return raw


@dataclass(slots=True)
class TwosComplement:
    """Negative values are counted down from the top."""

    bits: int
    low: int = 0
    high: int = 0

    def __post_init__(self) -> None:
        self.low, self.high = -(1 << (self.bits - 1)), (1 << (self.bits - 1)) - 1

    def write(self, value: int) -> int:
        """See the protocol."""
        return value % (1 << self.bits)

    def read(self, raw: int) -> int | None:
        """See the protocol."""
        return raw - (1 << self.bits) if raw > self.high else raw


@dataclass(slots=True)
class SignMagnitude:
    """The top bit is the sign, the others are the amount; there is no minus zero."""

    bits: int
    low: int = 0
    high: int = 0

    def __post_init__(self) -> None:
        self.high = (1 << (self.bits - 1)) - 1
        self.low = -self.high

    def write(self, value: int) -> int:
        """See the protocol."""
        return value if value >= 0 else self.high + 1 - value

    def read(self, raw: int) -> int | None:
        """See the protocol."""
        if raw <= self.high:
            return raw
        amount = raw - self.high - 1
        return -amount if amount else None


@dataclass(slots=True)
class OffsetBinary:
    """Zero stands in the middle: the lowest value is all zeros, the highest all ones."""

    bits: int
    low: int = 0
    high: int = 0

    def __post_init__(self) -> None:
        self.low, self.high = -(1 << (self.bits - 1)), (1 << (self.bits - 1)) - 1

    def write(self, value: int) -> int:
        """See the protocol."""
        return value - self.low

    def read(self, raw: int) -> int | None:
        """See the protocol."""
        return raw + self.low


@dataclass(slots=True)
class Decimal:
    """Four bits a digit. With `signed` the topmost digit is 0 for plus and 9 for minus."""

    bits: int
    signed: bool = False
    low: int = 0
    high: int = 0

    def __post_init__(self) -> None:
        digits = self.bits // DIGIT - self.signed
        self.high = 10**digits - 1
        self.low = -self.high if self.signed else 0

    def write(self, value: int) -> int:
        """See the protocol."""
        sign = str(MINUS if value < 0 else PLUS) if self.signed else ""
        return int(sign + str(abs(value)).zfill(self.bits // DIGIT - self.signed), 16)

    def read(self, raw: int) -> int | None:
        """See the protocol."""
        digits = f"{raw:0{self.bits // DIGIT}x}"
        if not digits.isdecimal():
            return None
        if not self.signed:
            return int(digits)
        amount = int(digits[1:])
        if digits[0] == str(PLUS):
            return amount
        return -amount if digits[0] == str(MINUS) else None


class Ieee:
    """
    An IEEE 754 float of 32 or 64 bits that holds a whole number of `step`s.

    The range ends where neighbouring floats lie farther apart than a step.
    """

    __slots__ = ("_code", "bits", "high", "low", "step")

    def __init__(self, bits: int, step: Fraction) -> None:
        self.bits = bits
        self.step = step
        self._code = "<f" if bits == 32 else "<d"
        precision, largest = (24, 127) if bits == 32 else (53, 1023)
        # Between 2^e and 2^(e+1) floats are 2^(e+1-precision) apart; the last e for which that is at most a step:
        exponent = floor(log2(step)) + precision - 1
        while Fraction(2) ** (exponent + 2 - precision) <= step:
            exponent += 1
        while Fraction(2) ** (exponent + 1 - precision) > step:
            exponent -= 1
        self.high = min(floor(Fraction(2) ** (min(exponent, largest - 1) + 1) / step), (1 << 63) - 1)
        self.low = -self.high

    def write(self, value: int) -> int:
        """See the protocol."""
        return int.from_bytes(struct.pack(self._code, float(value * self.step)), "little")

    def read(self, raw: int) -> int | None:
        """See the protocol."""
        (number,) = struct.unpack(self._code, raw.to_bytes(self.bits // 8, "little"))
        if not isfinite(number):
            return None
        steps = Fraction(number) / self.step
        value = floor(steps + Fraction(1, 2))
        if not self.low <= value <= self.high:
            return None
        return value if abs(steps - value) <= OFF_WHOLE or self.write(value) == raw else None


_BY_WORD = {
    "unsigned": Plain,
    "signed": TwosComplement,
    "sign_magnitude": SignMagnitude,
    "offset_binary": OffsetBinary,
    "bcd": Decimal,
}
WORDS = (*_BY_WORD, "signed_bcd", "float")


def notation_of(node: Node, word: str, bits: int, step: Node | None) -> Notation:
    """The notation that a dialect file names; RecipeError where word and width do not go together."""
    if word not in WORDS:
        raise node.error(f"{word!r} is no way to write a number; {one_of(WORDS)}")
    if step is not None and word != "float":
        raise step.error("only a float has a step")
    if word == "float":
        if bits not in (32, 64):
            raise node.error(f"a float has 32 or 64 bits, not {bits}")
        size = step.fraction() if step is not None else Fraction(1)
        if step is not None and size <= 0:
            raise step.error("a step must be above zero")
        return Ieee(bits, size)
    if word.endswith("bcd") and (bits % DIGIT or bits < (2 * DIGIT if word == "signed_bcd" else DIGIT)):
        raise node.error(f"decimal digits take 4 bits each; {bits} bits are no whole number of them")
    if word == "sign_magnitude" and bits < 2:
        raise node.error("a sign and an amount need 2 bits or more")
    if word == "signed_bcd":
        return Decimal(bits, signed=True)
    found: Notation = _BY_WORD[word](bits)
    return found
