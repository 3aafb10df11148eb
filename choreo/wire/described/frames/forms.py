"""
A payload of one length: where each field, constant and checksum lies, and how values get in and out.

Fields fill in little byte order from the least significant bit of byte 0 up, in big order from the most significant bit
of byte 0 down; so each is one piece of the whole payload read as one integer in its order.
"""

from collections.abc import Mapping, Sequence
from typing import NamedTuple

from choreo.wire.described.frames.fields import ByteOrder, Checksum, Part, Slot
from choreo.wire.described.frames.kinds import Kind, Linear, Span
from choreo.wire.described.frames.overlap import Pattern


class Heading(NamedTuple):
    """What a checksum may cover beside the payload: the bytes of the identifier, most significant first, the node."""

    identifier: bytes
    node: int

    @classmethod
    def of(cls, identifier: int, number: int, *, extended: bool) -> "Heading":
        """That of a frame; `number` is the node, or the broadcast number."""
        return cls(identifier.to_bytes(4 if extended else 2, "big"), number)


class _Field(NamedTuple):
    """A field in its place. Where `kind` is None, its value is the quick `((raw ^ flip) - offset)`."""

    name: str
    shift: int
    mask: int
    flip: int
    offset: int
    low: int
    high: int
    foreign: bool  # in the other byte order than the form's
    kind: Kind | None
    spans: tuple[Span, ...] | None  # of lawful values, where `low` to `high` is not all there is to say
    strict: bool  # not every bit pattern is a lawful value


class _Check(NamedTuple):
    """A checksum in its place: bytes `start` to `end`, in `order`, over `pieces` (bytes, or what of the heading)."""

    part: Checksum
    start: int
    end: int
    order: ByteOrder
    pieces: tuple[tuple[int, int] | str, ...]

    def of(self, data: bytes, heading: Heading | None) -> bytes | None:
        """The checksum; None where it needs a heading and there is none."""
        covered = b""
        for piece in self.pieces:
            if not isinstance(piece, str):
                covered += data[piece[0] : piece[1]]
            elif heading is None:
                return None
            else:
                covered += heading.identifier if piece == "identifier" else bytes((heading.node & 0xFF,))
        return self.part.method.of(covered).to_bytes(self.end - self.start, self.order)


class Form:
    """A payload of one length."""

    __slots__ = (
        "_check",
        "_fields",
        "_mask",
        "_plain",
        "_quick",
        "_strict",
        "_wanted",
        "names",
        "needs_heading",
        "order",
        "pattern",
        "size",
    )

    def __init__(self, parts: Sequence[Part], widths: Sequence[int], order: ByteOrder) -> None:
        self.order = order
        total = sum(widths)
        self.size = total // 8
        self._mask = self._wanted = 0
        self.pattern = Pattern(self.size)
        fields: list[_Field] = []
        check: tuple[Checksum, int] | None = None
        start = 0
        for part, width in zip(parts, widths, strict=True):
            its_order = part.order or order
            shift = start if its_order == "little" else total - start - width
            if part.constant is not None:
                self._mask |= ((1 << width) - 1) << shift
                self._wanted |= part.constant << shift
            if isinstance(part, Checksum):
                check = (part, start // 8)
            for slot in part.slots(width):
                fields.append(_field(slot, shift, its_order != order))
                if fields[-1].strict:
                    for limit in slot.kind.limits(slot.allowed):
                        self.pattern.limit(fields[-1].shift + limit.at, limit.bits, limit.spans, its_order)
            start += width
        self.pattern.constant(self._mask, self._wanted, order)
        self._fields = tuple(fields)
        self.names = tuple(field.name for field in fields)
        self._strict = any(field.strict for field in fields)
        self._quick = tuple(field[:5] for field in fields)
        self._plain = not any(field.strict or field.foreign or field.kind for field in fields)
        self._check = None if check is None else self._checksum(*check)
        self.needs_heading = self._check is not None and any(isinstance(piece, str) for piece in self._check.pieces)

    def _checksum(self, part: Checksum, start: int) -> _Check:
        end = start + part.bits // 8
        pieces: list[tuple[int, int] | str] = []
        for word in part.over:
            if word == "payload":
                pieces += [(0, start), (end, self.size)]
            elif word in ("identifier", "node"):
                pieces.append(word)
            else:
                pieces.append(self._bytes_of(word))
        return _Check(part, start, end, part.order or self.order, tuple(pieces))

    def _bytes_of(self, name: str) -> tuple[int, int]:
        field = next(field for field in self._fields if field.name == name)
        little = (self.order == "little") is not field.foreign
        size = field.mask.bit_length() // 8
        first = field.shift // 8 if little else self.size - field.shift // 8 - size
        return first, first + size

    def may_begin(self, first: bytes) -> bool:
        """Whether the constants allow this first byte (or none, where the form is empty)."""
        mask, wanted = (bits.to_bytes(self.size, self.order)[:1] for bits in (self._mask, self._wanted))
        return all(byte & its_mask == its for byte, its_mask, its in zip(first, mask, wanted, strict=True))

    def encode(self, values: Mapping[str, int], heading: Heading | None = None) -> bytes | None:
        """The data; None where a value is missing, unknown or not lawful, or the checksum lacks its heading."""
        native, other = self._wanted, 0
        if len(values) != len(self._fields):
            return None
        for name, shift, _, flip, offset, low, high, foreign, kind, spans, _ in self._fields:
            value = values.get(name)
            if not isinstance(value, int) or not low <= value <= high:
                return None
            if spans is not None and not _within(value, spans):
                return None
            raw = (value + offset) ^ flip if kind is None else kind.to_wire(value)
            if foreign:
                other |= raw << shift
            else:
                native |= raw << shift
        if other:
            native |= int.from_bytes(other.to_bytes(self.size, _OTHER[self.order]), self.order)
        data = native.to_bytes(self.size, self.order)
        if self._check is None:
            return data
        check = self._check.of(data, heading)
        return None if check is None else data[: self._check.start] + check + data[self._check.end :]

    def decode(self, data: bytes, heading: Heading | None = None) -> dict[str, int] | None:
        """The values of data of this length; None where it does not fit. Never raises."""
        native = int.from_bytes(data, self.order)
        if native & self._mask != self._wanted:
            return None
        check = self._check
        if check is not None and check.of(data, heading) != data[check.start : check.end]:
            return None
        if self._plain:
            return {name: (native >> shift & mask ^ flip) - offset for name, shift, mask, flip, offset in self._quick}
        return self._decode_slowly(native, int.from_bytes(data, _OTHER[self.order]))

    def _decode_slowly(self, native: int, other: int) -> dict[str, int] | None:
        values: dict[str, int] = {}
        for name, shift, mask, flip, offset, low, high, foreign, kind, spans, _ in self._fields:
            raw = (other if foreign else native) >> shift & mask
            value = (raw ^ flip) - offset if kind is None else kind.from_wire(raw)
            if value is None or not low <= value <= high:
                return None
            if spans is not None and not _within(value, spans):
                return None
            values[name] = value
        return values

    def checksum(self, data: bytes, heading: Heading | None = None) -> bytes | None:
        """The checksum that data of this length should carry; None where there is none, or its heading is missing."""
        return None if self._check is None else self._check.of(data, heading)

    def place(self, name: str) -> _Field | None:
        """Where a field lies, for the quick readers; None where the data must be looked at with more care."""
        if self._strict or self._check is not None:
            return None
        return next((field for field in self._fields if field.name == name and field.kind is None), None)

    @property
    def lawful(self) -> Mapping[str, tuple[Span, ...]]:
        """Its fields, each with the values that are lawful in this length; nothing where none is."""
        return {
            field.name: field.spans or (((field.low, field.high),) if field.low <= field.high else ())
            for field in self._fields
        }

    @property
    def constants(self) -> tuple[int, int]:
        """The constant bits of the data as a number in the form's order, and what they are."""
        return self._mask, self._wanted


_OTHER: Mapping[ByteOrder, ByteOrder] = {"little": "big", "big": "little"}


def _field(slot: Slot, shift: int, foreign: bool) -> _Field:
    kind, allowed = slot.kind, slot.allowed
    linear = isinstance(kind, Linear)
    strict = not linear or allowed != (kind.bounds,)
    flip, offset = (kind.flip, kind.offset) if isinstance(kind, Linear) else (0, 0)
    return _Field(
        name=slot.name,
        shift=shift + slot.at,
        mask=(1 << kind.bits) - 1,
        flip=1 if slot.inverted else flip,
        offset=offset,
        low=allowed[0][0] if allowed else 1,
        high=allowed[-1][1] if allowed else 0,
        foreign=foreign,
        kind=None if linear else kind,
        spans=None if len(allowed) < 2 else allowed,
        strict=strict,
    )


def _within(value: int, spans: tuple[Span, ...]) -> bool:
    return any(low <= value <= high for low, high in spans)
