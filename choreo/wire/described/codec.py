"""
Frames of a described dialect, put together and taken apart.

A frame belongs to a range of identifiers (base + node), and within the range to the one shape of its length and
constants. Whether shapes can be told apart is settled when a dialect is read (`conflicts.py`); here the first that fits
is taken, and a frame that fits none is none of the dialect's.
"""

from bisect import bisect_right
from collections.abc import Callable, Mapping, Sequence
from enum import StrEnum
from typing import Literal, NamedTuple

from choreo.frame import Frame
from choreo.wire.described.fields import Layout, Number
from choreo.wire.words import FrameClass


class Role(StrEnum):
    """Who says it, and why."""

    REQUEST = "request"  # by choreo; all others by a drive
    REPLY = "reply"
    ERROR = "error"  # the data-error reply
    EVENT = "event"  # unasked


class Means(StrEnum):
    """What a reply proves."""

    RECEIVED = "received"  # the request arrived; nothing more
    ACCEPTED = "accepted"  # it was checked and will be done
    DONE = "done"


Broadcast = Literal["never", "allowed", "only"]


class Shape(NamedTuple):
    """One form that a frame can have. The identifier is `base` plus the node number, or plus the broadcast number."""

    message: str
    role: Role
    frame_class: FrameClass
    base: int
    layout: Layout
    broadcast: Broadcast = "never"
    means: Means | None = None  # of a reply


class Addressing(NamedTuple):
    """Identifiers of `bits` (11 or 29); nodes `first` to `last`, and the number that means all of them."""

    bits: int
    first: int
    last: int
    broadcast: int | None

    @property
    def numbers(self) -> tuple[int, int]:
        """The smallest and the largest number that is ever added to a base."""
        if self.broadcast is None:
            return self.first, self.last
        return min(self.first, self.broadcast), max(self.last, self.broadcast)


class Found(NamedTuple):
    """A frame that belongs to the dialect; `node` None for a broadcast."""

    shape: Shape
    node: int | None


_Index = Mapping[tuple[int, int | None], tuple[Shape, ...]]


class Codec:
    """All shapes of a dialect, by identifier, length and first byte. Pure, and never raises at decoding."""

    __slots__ = ("_bases", "_by_base", "_extended", "_highest", "_lowest", "addressing")

    def __init__(self, addressing: Addressing, shapes: Sequence[Shape]) -> None:
        self.addressing = addressing
        self._extended = addressing.bits > 11
        self._lowest, self._highest = addressing.numbers
        self._bases = sorted({shape.base for shape in shapes})
        self._by_base: dict[int, _Index] = {
            base: _index([shape for shape in shapes if shape.base == base]) for base in self._bases
        }

    def encode(self, shape: Shape, node: int | None, values: Mapping[str, int]) -> Frame:
        """
        The frame; `node` None addresses all. Raises ValueError naming the message, and the node or the field with its
        value and what is allowed.
        """
        number = self._number(shape, node)
        try:
            data = shape.layout.encode(values)
        except ValueError as wrong:
            raise ValueError(f"{shape.message}: {wrong}") from None
        return Frame(shape.base + number, data, self._extended)

    def _number(self, shape: Shape, node: int | None) -> int:
        at = self.addressing
        if node is None:
            if shape.broadcast == "never" or at.broadcast is None:
                raise ValueError(f"{shape.message} cannot be broadcast: it needs a node, {at.first} to {at.last}")
            return at.broadcast
        if shape.broadcast == "only":
            raise ValueError(f"{shape.message} is broadcast only: node {node} cannot be addressed alone")
        if not at.first <= node <= at.last or node == at.broadcast:
            raise ValueError(f"{shape.message}: node {node} is outside {at.first} to {at.last}")
        return node

    def find(self, frame: Frame) -> Found | None:
        """Which shape a frame has and whose it is; None when it is none of the dialect's."""
        identifier, data, extended, remote, _ = frame
        if extended is not self._extended or remote:
            return None
        # The base is the highest one from which the identifier can be reached: ranges do not overlap.
        place = bisect_right(self._bases, identifier - self._lowest) - 1
        if place < 0:
            return None
        base = self._bases[place]
        number = identifier - base
        if number > self._highest:
            return None
        at = self.addressing
        node = None if number == at.broadcast else number
        if node is not None and not at.first <= node <= at.last:
            return None
        barred = "never" if node is None else "only"
        for shape in _candidates(self._by_base[base], data):
            if shape.broadcast != barred and shape.layout.fits(data):
                return Found(shape, node)
        return None


def _index(shapes: Sequence[Shape]) -> _Index:
    table: dict[tuple[int, int | None], tuple[Shape, ...]] = {}
    for shape in shapes:
        key = (shape.layout.size, shape.layout.fixed[0] if shape.layout.fixed else None)
        table[key] = (*table.get(key, ()), shape)
    return table


def _candidates(index: _Index, data: bytes) -> tuple[Shape, ...]:
    size = len(data)
    varying = index.get((size, None), ())
    if not size:
        return varying
    constant = index.get((size, data[0]), ())
    return constant + varying if varying else constant


def number_reader(layout: Layout, field: str) -> Callable[[bytes], int | None]:
    """
    The quickest way to one number of one payload: a function that gives its value, or None for any other payload.

    Made for polling, the hot path: one comparison of the constants in front, one conversion.
    """
    at = 0
    for part in layout.parts:
        if isinstance(part, Number) and part.name == field:
            return _direct_reader(layout, at, part) or _careful_reader(layout, field)
        at += part.size
    return _careful_reader(layout, field)


def _direct_reader(layout: Layout, start: int, number: Number) -> Callable[[bytes], int | None] | None:
    head = [byte for byte in layout.fixed[:start] if byte is not None]
    if len(head) != start or any(byte is not None for byte in layout.fixed[start:]):
        return None  # constants elsewhere than in one piece in front
    prefix, size, end = bytes(head), layout.size, start + number.size
    order, signed = number.order, number.signed
    convert = int.from_bytes

    def read(data: bytes) -> int | None:
        if len(data) != size or data[:start] != prefix:
            return None
        return convert(data[start:end], order, signed=signed)

    return read


def _careful_reader(layout: Layout, field: str) -> Callable[[bytes], int | None]:
    def read(data: bytes) -> int | None:
        return layout.decode(data)[field] if layout.fits(data) else None

    return read
