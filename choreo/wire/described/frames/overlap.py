"""
Whether some data fits two payloads at once.

What is known of a payload's bits is written down bit by bit: constants, and limits on groups of bits (a range, a
decimal digit, a sign, the values that need just this length). Two patterns cannot both fit when their constants
differ in some bit, when a limit of one cannot be met with the constants of both, or when two limits on the same bits
exclude each other. Everything else is taken for possible: the answer "no" is always right.
"""

from collections.abc import Sequence
from typing import Literal, NamedTuple

from choreo.wire.described.frames.kinds import Span


class _Limit(NamedTuple):
    """The bits at `places`, the least significant first, make a number in one of `spans`."""

    places: tuple[int, ...]
    spans: tuple[Span, ...]


class Pattern:
    """What holds for all data of one length that fit a payload. Bit 0 is the least significant of byte 0."""

    __slots__ = ("_limits", "_mask", "_size", "_wanted")

    def __init__(self, size: int) -> None:
        self._size = size
        self._mask = self._wanted = 0
        self._limits: list[_Limit] = []

    def constant(self, mask: int, wanted: int, order: Literal["little", "big"]) -> None:
        """Bits that are always the same, of the data read as a number in `order`."""
        self._mask = int.from_bytes(mask.to_bytes(self._size, order), "little")
        self._wanted = int.from_bytes(wanted.to_bytes(self._size, order), "little")

    def limit(self, shift: int, bits: int, spans: tuple[Span, ...], order: Literal["little", "big"]) -> None:
        """`bits` bits from `shift` up, of the data read as a number in `order`, lie in one of `spans`."""
        places = range(shift, shift + bits)
        if order == "big":
            self._limits.append(_Limit(tuple(8 * (self._size - 1 - at // 8) + at % 8 for at in places), spans))
        else:
            self._limits.append(_Limit(tuple(places), spans))

    def could_be(self, other: "Pattern") -> bool:
        """Whether some data may fit both."""
        if self._size != other._size or (self._wanted ^ other._wanted) & self._mask & other._mask:
            return False
        mask, wanted = self._mask | other._mask, self._wanted | other._wanted
        both: dict[tuple[int, ...], tuple[Span, ...]] = {}
        for places, spans in (*self._limits, *other._limits):
            known = both.get(places)
            both[places] = spans if known is None else _common(known, spans)
        return all(_possible(places, spans, mask, wanted) for places, spans in both.items())


def _common(some: Sequence[Span], others: Sequence[Span]) -> tuple[Span, ...]:
    pairs = [(max(a, c), min(b, d)) for a, b in some for c, d in others]
    return tuple((low, high) for low, high in pairs if low <= high)


def _possible(places: tuple[int, ...], spans: Sequence[Span], mask: int, wanted: int) -> bool:
    """Whether some number in `spans` has the constant bits that lie at its places."""
    its_mask = sum(1 << index for index, place in enumerate(places) if mask >> place & 1)
    its_wanted = sum(1 << index for index, place in enumerate(places) if wanted >> place & 1)
    return any(any_matching(low, high, its_mask, its_wanted) for low, high in spans)


def any_matching(low: int, high: int, mask: int, wanted: int) -> bool:
    """
    Whether some number from `low` to `high` has the bits `wanted` where `mask` has ones.

    The smallest such number from `low` up either is `low`, or agrees with it above some bit that is 0 in `low`, has a
    1 there, and below that bit only what is wanted.
    """
    if low > high:
        return False
    if low & mask == wanted:
        return True
    for bit in range(high.bit_length()):
        one = 1 << bit
        above = -1 << (bit + 1)
        if low & one or (mask & one and not wanted & one) or (low ^ wanted) & mask & above:
            continue
        if (low & above) | one | (wanted & (one - 1)) <= high:
            return True
    return False
