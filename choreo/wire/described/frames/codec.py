"""
Frames of a described dialect, put together and taken apart.

A frame belongs to a range of identifiers, and within the range to the one shape of its length and constants. Whether
shapes can be told apart is settled when a dialect is read (`conflicts.py`); here the first that fits is taken, and a
frame that fits none is none of the dialect's.
"""

from collections.abc import Mapping, Sequence
from enum import StrEnum
from typing import Literal, NamedTuple

from choreo.frame import Frame
from choreo.wire.described.frames.forms import Form, Heading
from choreo.wire.described.frames.identifiers import Addressing, IdRange
from choreo.wire.described.frames.layout import Layout
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


class Rolling(NamedTuple):
    """A counter of `bits` bits in a field `rolling`: up by one with each frame, and round. See `Shape.rolling`."""

    bits: int
    echoed: bool  # of a request: the reply repeats it; otherwise the drive counts its own frames


class Shape(NamedTuple):
    """One form that a frame can have, or several of different lengths."""

    message: str
    role: Role
    frame_class: FrameClass
    ids: IdRange
    layout: Layout
    broadcast: Broadcast = "never"
    means: Means | None = None  # of a reply
    rolling: Rolling | None = None

    @property
    def base(self) -> int:
        """The identifier at number 0."""
        return self.ids.base

    def identifier(self, number: int) -> int:
        """The identifier of a node's frames; `number` is the node, or the broadcast number."""
        return self.ids.identifier(number)

    def fits(self, frame: Frame) -> bool:
        """
        Whether the data of a frame with this shape's identifiers has one of its lengths, its constants, lawful fields
        and a right checksum.
        """
        return self.values(frame) is not None

    def values(self, frame: Frame) -> dict[str, int] | None:
        """What such a frame says; None where it does not fit."""
        if not self.layout.needs_heading:
            return self.layout.decode(frame.data)
        return self.layout.decode(frame.data, heading_of(frame, self.ids.number(frame.id) or 0))

    def checksum(self, frame: Frame) -> bytes | None:
        """The checksum that would be right for such a frame; None where it has none, or its length is none of these."""
        form = self.layout.forms.get(len(frame.data))
        return None if form is None else form.checksum(frame.data, heading_of(frame, self.ids.number(frame.id) or 0))

    def alike(self, one: Frame, other: Frame) -> bool:
        """Whether two frames of this shape differ in nothing but bits that mean nothing."""
        said = self.values(one)
        return said is not None and said == self.values(other) and self.ids.number(one.id) == self.ids.number(other.id)


def heading_of(frame: Frame, number: int) -> Heading:
    """What a checksum may cover beside the data."""
    return Heading.of(frame.id, number, extended=frame.extended)


class Found(NamedTuple):
    """A frame that belongs to the dialect, and what it says; `node` None for a broadcast."""

    shape: Shape
    node: int | None
    values: dict[str, int]


#: How many identifiers are remembered with the range that they belong to. There are 2,048 of 11 bits.
_REMEMBERED = 4096


class _Range:
    """The shapes on one range of identifiers; those of a length and a first byte are looked for once."""

    __slots__ = ("_by_head", "ids", "shapes")

    def __init__(self, ids: IdRange, shapes: Sequence[Shape]) -> None:
        self.ids = ids
        self.shapes = tuple(shapes)
        self._by_head: dict[bytes | int, tuple[tuple[Shape, Form], ...]] = {}

    def candidates(self, data: bytes) -> tuple[tuple[Shape, Form], ...]:
        """The forms of this length whose constants allow this first byte."""
        head = len(data) << 8 | data[0] if data else 0
        found = self._by_head.get(head)
        if found is None:
            forms = [(shape, shape.layout.forms.get(len(data))) for shape in self.shapes]
            found = tuple((shape, form) for shape, form in forms if form is not None and form.may_begin(data[:1]))
            self._by_head[head] = found
        return found


class Codec:
    """All shapes of a dialect, by identifier, length and first byte. Pure, and never raises at decoding."""

    __slots__ = ("_extended", "_known", "_ranges", "addressing")

    def __init__(self, addressing: Addressing, shapes: Sequence[Shape]) -> None:
        self.addressing = addressing
        self._extended = addressing.bits > 11
        self._ranges = tuple(
            _Range(ids, [shape for shape in shapes if shape.ids == ids])
            for ids in dict.fromkeys(shape.ids for shape in shapes)
        )
        self._known: dict[int, tuple[_Range, int, int | None] | None] = {}

    def encode(self, shape: Shape, node: int | None, values: Mapping[str, int]) -> Frame:
        """
        The frame; `node` None addresses all. Raises ValueError naming the message, and the node or the field with its
        value and what is allowed.
        """
        number = self._number(shape, node)
        identifier = shape.ids.identifier(number)
        layout = shape.layout
        heading = None
        if layout.needs_heading:
            heading = Heading.of(identifier, number, extended=self._extended)
        try:
            data = layout.encode(values, heading)
        except ValueError as wrong:
            raise ValueError(f"{shape.message}: {wrong}") from None
        return Frame(identifier, data, self._extended)

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
        """Which shape a frame has, whose it is and what it says; None when it is none of the dialect's."""
        identifier, data, extended, remote, _ = frame
        if extended is not self._extended or remote:
            return None
        try:
            place = self._known[identifier]
        except KeyError:
            place = self._place(identifier)
        if place is None:
            return None
        range_, number, node = place
        barred = "never" if node is None else "only"
        for shape, form in range_.candidates(data):
            if shape.broadcast != barred:
                values = form.decode(data, heading_of(frame, number) if form.needs_heading else None)
                if values is not None:
                    return Found(shape, node, values)
        return None

    def addressee(self, identifier: int) -> int | None:
        """The number of the node, or of all nodes, that an identifier has; None where nothing is said with it."""
        place = self._place(identifier)
        if place is None:
            return None
        range_, number, node = place
        barred = "never" if node is None else "only"
        return number if any(shape.broadcast != barred for shape in range_.shapes) else None

    def _place(self, identifier: int) -> tuple[_Range, int, int | None] | None:
        """The range, the number and the node of an identifier: there is at most one range that it belongs to."""
        place = None
        for range_ in self._ranges:
            number = range_.ids.number(identifier)
            if number is not None and self.addressing.lawful(number):
                place = (range_, number, None if number == self.addressing.broadcast else number)
                break
        if len(self._known) < _REMEMBERED:
            self._known[identifier] = place
        return place
