"""
Checksums that a frame carries beside the bus' own: sum, exclusive or, and cyclic redundancy checks of whole bytes.

CRC parameters are named as a drive's manual or the published catalogues of CRC algorithms give them: polynomial without
its leading term, initial value, whether bytes and result are reflected, what the result is combined with at the end.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Protocol


class Method(Protocol):
    """How a checksum of `bits` bits (a multiple of 8) is computed."""

    @property
    def bits(self) -> int:
        """Its width."""
        ...

    @property
    def text(self) -> str:
        """In words."""
        ...

    @property
    def whole(self) -> str:
        """In words, with every parameter."""
        ...

    def of(self, data: bytes) -> int:
        """The checksum."""
        ...


@dataclass(frozen=True, slots=True)
class Sum:
    """The sum of the bytes, modulo 2^bits."""

    bits: int

    @property
    def text(self) -> str:
        """In words."""
        return f"sum {self.bits}"

    @property
    def whole(self) -> str:
        """In words: there is no more to say."""
        return self.text

    def of(self, data: bytes) -> int:
        """The checksum."""
        return sum(data) & ((1 << self.bits) - 1)


@dataclass(frozen=True, slots=True)
class Xor:
    """All bytes combined by exclusive or."""

    bits: int = 8

    @property
    def text(self) -> str:
        """In words."""
        return "xor 8"

    @property
    def whole(self) -> str:
        """In words: there is no more to say."""
        return self.text

    def of(self, data: bytes) -> int:
        """The checksum."""
        value = 0
        for byte in data:
            value ^= byte
        return value


@dataclass(frozen=True, slots=True)
class Crc:
    """A cyclic redundancy check; `reflected` turns both the bytes and the result round."""

    bits: int
    polynomial: int
    initial: int = 0
    reflected: bool = False
    final: int = 0

    @property
    def text(self) -> str:
        """In words."""
        turned = ", reflected" if self.reflected else ""
        return f"CRC {self.bits} of {self.polynomial:#x}{turned}"

    @property
    def whole(self) -> str:
        """In words, with every parameter."""
        return f"{self.text} (initial {self.initial:#x}, final {self.final:#x})"

    def of(self, data: bytes) -> int:
        """The checksum."""
        table = _table(self.bits, self.polynomial, self.reflected)
        if self.reflected:
            value = _turned(self.initial, self.bits)
            for byte in data:
                value = value >> 8 ^ table[(value ^ byte) & 0xFF]
        else:
            value, top, mask = self.initial, self.bits - 8, (1 << self.bits) - 1
            for byte in data:
                value = value << 8 & mask ^ table[value >> top ^ byte]
        return value ^ self.final


@lru_cache(maxsize=64)
def _table(bits: int, polynomial: int, reflected: bool) -> Sequence[int]:
    """What each byte does to the register."""
    mask, top = (1 << bits) - 1, 1 << (bits - 1)
    turned = _turned(polynomial, bits)
    table = []
    for byte in range(256):
        value = byte if reflected else byte << (bits - 8)
        for _ in range(8):
            if reflected:
                value = value >> 1 ^ (turned if value & 1 else 0)
            else:
                value = (value << 1 ^ (polynomial if value & top else 0)) & mask
        table.append(value)
    return tuple(table)


def _turned(value: int, bits: int) -> int:
    """The bits in the other order."""
    return int(f"{value:0{bits}b}"[::-1], 2)
