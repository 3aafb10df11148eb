"""Where each part of a payload lies, in the bytes and bits of a frame: for people and for what is nearly a frame."""

from collections.abc import Iterator, Sequence
from typing import NamedTuple

from choreo.wire.described.frames.fields import Bits, ByteOrder, Checksum, Ignored, Part
from choreo.wire.described.frames.layout import Layout, combinations


class Place(NamedTuple):
    """
    A stretch of a payload of `size` bytes, `start` bits from its beginning, `width` bits long. In little byte order the
    beginning is the least significant bit of byte 0, in big order the most significant.
    """

    size: int
    start: int
    width: int
    order: ByteOrder

    def raw(self, data: bytes) -> int:
        """Its bits in data of `size` bytes, as an unsigned integer in its order."""
        shift = self.start if self.order == "little" else 8 * self.size - self.start - self.width
        return int.from_bytes(data, self.order) >> shift & ((1 << self.width) - 1)

    def within(self, at: int, width: int) -> "Place":
        """So many of its bits, from its bit `at` (0 is its least significant) up."""
        offset = at if self.order == "little" else self.width - at - width
        return Place(self.size, self.start + offset, width, self.order)

    @property
    def whole(self) -> bool:
        """Whether it is whole bytes."""
        return self.start % 8 == 0 and self.width % 8 == 0

    @property
    def text(self) -> str:
        """`byte 0`, `bytes 1-4`, `byte 0 bits 7-3`, `byte 1 bit 3 to byte 2 bit 0`."""
        first, last = self._bit(0), self._bit(self.width - 1)
        if self.whole:
            return f"byte {first[0]}" if self.width == 8 else f"bytes {first[0]}-{last[0]}"
        if self.width == 1:
            return f"byte {first[0]} bit {first[1]}"
        if first[0] == last[0]:
            return f"byte {first[0]} bits {max(first[1], last[1])}-{min(first[1], last[1])}"
        return f"byte {first[0]} bit {first[1]} to byte {last[0]} bit {last[1]}"

    def _bit(self, number: int) -> tuple[int, int]:
        """Byte and bit of its bit `number`, counted from its beginning."""
        at = self.start + number
        return at // 8, at % 8 if self.order == "little" else 7 - at % 8

    def shown(self, data: bytes) -> str:
        """Its bits as they stand in the frame: whole bytes hexadecimal in the order of the wire, others as a number."""
        if self.whole:
            return data[self.start // 8 : (self.start + self.width) // 8].hex(" ").upper()
        return f"{self.raw(data):0{self.width}b}"


class PlacedPart(NamedTuple):
    """A part and where it lies."""

    part: Part
    place: Place


def forms(layout: Layout) -> Iterator[tuple[PlacedPart, ...]]:
    """The parts in their places, for each length that the payload can have, shortest forms first."""
    for alternative in layout.alternatives:
        for widths in combinations(alternative):
            yield tuple(_placed(alternative, widths, layout.order))


def form_of(layout: Layout, size: int) -> tuple[PlacedPart, ...] | None:
    """The parts in their places where the payload has `size` bytes; None where it never has."""
    return next((form for form in forms(layout) if _size(form) == size), None)


def same_but_unused(layout: Layout, one: bytes, other: bytes) -> bool:
    """
    Whether two payloads of one length are alike in all that means something. Bits that are ignored may differ, and with
    them the checksum; payloads of different lengths are not compared.
    """
    if len(one) != len(other):
        return True
    for part, place in form_of(layout, len(one)) or ():
        pieces = [place]
        if isinstance(part, Ignored | Checksum):
            continue
        if isinstance(part, Bits):
            pieces = [place.within(slot.at, 1) for slot in part.slots(place.width)]
        if any(piece.raw(one) != piece.raw(other) for piece in pieces):
            return False
    return True


def _size(form: Sequence[PlacedPart]) -> int:
    return form[0].place.size if form else 0


def _placed(parts: Sequence[Part], widths: Sequence[int], order: ByteOrder) -> Iterator[PlacedPart]:
    size, start = sum(widths) // 8, 0
    for part, width in zip(parts, widths, strict=True):
        yield PlacedPart(part, Place(size, start, width, part.order or order))
        start += width
