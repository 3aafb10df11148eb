"""
Where the bits of a field lie in the bytes of a frame, byte by byte as a small controller would fetch them.

In the little order a field fills from the least significant bit of byte 0 upwards, in the big order from the most
significant bit of byte 0 downwards. A field is fetched in pieces, one from each byte that it touches.
"""

from typing import Literal, NamedTuple

ByteOrder = Literal["little", "big"]


class Piece(NamedTuple):
    """Some neighbouring bits of one byte: where they lie in it, and where in the field's raw value."""

    byte: int
    shift: int  # of its lowest bit within the byte
    mask: int  # as wide as the piece, not shifted
    weight: int  # of its lowest bit within the raw value


def pieces(start: int, bits: int, order: ByteOrder) -> tuple[Piece, ...]:
    """The pieces of a field whose first bit, counted as the order counts, is `start`."""
    found = []
    done = 0
    while done < bits:
        byte, inside = divmod(start + done, 8)
        width = min(8 - inside, bits - done)
        if order == "little":
            found.append(Piece(byte, inside, (1 << width) - 1, done))
        else:
            found.append(Piece(byte, 8 - inside - width, (1 << width) - 1, bits - done - width))
        done += width
    return tuple(found)


def fetch(data: bytes, where: tuple[Piece, ...]) -> int:
    """The raw value of a field."""
    raw = 0
    for byte, shift, mask, weight in where:
        raw |= (data[byte] >> shift & mask) << weight
    return raw


def store(data: bytearray, where: tuple[Piece, ...], raw: int) -> None:
    """Put the raw value of a field into bytes whose bits are zero there."""
    for byte, shift, mask, weight in where:
        data[byte] |= (raw >> weight & mask) << shift
