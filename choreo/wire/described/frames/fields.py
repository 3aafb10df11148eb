"""
The parts of a payload: what a dialect file lists, as data.

A part has a width in bits (or, in the shortest form, several), may be constant, and carries fields. Where it lies in a
frame is settled in `layout`. A new kind of part is one more class with these members.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal, NamedTuple, Protocol

from choreo.wire.described.frames.checksums import Method
from choreo.wire.described.frames.kinds import Kind, Linear, Span

#: The most data bytes that a classical frame carries (facts.md A1 to A4; ISO 11898-1).
MOST_BYTES = 8

#: The field of a rolling counter.
ROLLING = "rolling"

ByteOrder = Literal["little", "big"]
Special = Mapping[int, str]

_ON_OFF = Linear("unsigned", 1)


class Slot(NamedTuple):
    """A field within a part: from bit `at` of the part up. Values are lawful that lie in one of `allowed`."""

    name: str
    at: int
    kind: Kind
    allowed: tuple[Span, ...]
    inverted: bool = False


class Part(Protocol):
    """What a payload is made of."""

    @property
    def widths(self) -> tuple[int, ...]:
        """How many bits it may have, rising."""
        ...

    @property
    def order(self) -> ByteOrder | None:
        """A byte order of its own; None for that of the dialect."""
        ...

    @property
    def constant(self) -> int | None:
        """Its bits where they are always the same."""
        ...

    @property
    def ranges(self) -> Mapping[str, Span]:
        """Each field that it carries, with the smallest and largest value that may be sent."""
        ...

    def slots(self, width: int) -> Sequence[Slot]:
        """Its fields where it is `width` bits wide."""
        ...


@dataclass(frozen=True, slots=True)
class Constant:
    """Bits that are always the same: they tell messages apart."""

    value: int
    bits: int = 8
    order = None
    ranges: Mapping[str, Span] = field(default_factory=dict, init=False, repr=False, compare=False)

    @property
    def widths(self) -> tuple[int, ...]:
        """One."""
        return (self.bits,)

    @property
    def constant(self) -> int:
        """Its value."""
        return self.value

    def slots(self, width: int) -> Sequence[Slot]:
        """It carries no field."""
        return ()


@dataclass(frozen=True, slots=True)
class Ignored:
    """Bits without meaning to choreo: sent as 0, not looked at."""

    bits: int
    order = None
    constant = None
    ranges: Mapping[str, Span] = field(default_factory=dict, init=False, repr=False, compare=False)

    @property
    def widths(self) -> tuple[int, ...]:
        """One."""
        return (self.bits,)

    def slots(self, width: int) -> Sequence[Slot]:
        """It carries no field."""
        return ()


@dataclass(frozen=True, slots=True)
class Number:
    """
    A number of one kind and width.

    `low` and `high` are the values allowed where they are fewer than the kind holds. `special` values mean something
    else: they may be sent and received even outside that range, and `ranges` ends before them.
    """

    name: str
    kind: Kind
    order: ByteOrder | None = None
    low: int | None = None
    high: int | None = None
    special: Special = field(default_factory=dict)
    constant = None

    @property
    def bits(self) -> int:
        """Its width."""
        return self.kind.bits

    @property
    def widths(self) -> tuple[int, ...]:
        """One."""
        return (self.bits,)

    @property
    def ranges(self) -> Mapping[str, Span]:
        """Its one field."""
        return {self.name: _cut(self.kind.bounds, self.low, self.high, self.special)}

    def slots(self, width: int) -> Sequence[Slot]:
        """Its one field."""
        return (Slot(self.name, 0, self.kind, _allowed(self.kind.bounds, self.low, self.high, self.special)),)


@dataclass(frozen=True, slots=True)
class Shortest:
    """
    A number of as many whole bytes as it needs: of the widths that exist, the smallest that holds the value. A longer
    form than needed is refused when received.
    """

    name: str
    word: Literal["unsigned", "signed"]
    widths: tuple[int, ...]
    order: ByteOrder | None = None
    low: int | None = None
    high: int | None = None
    special: Special = field(default_factory=dict)
    constant = None

    @property
    def ranges(self) -> Mapping[str, Span]:
        """Its one field, in its widest form."""
        return {self.name: _cut(Linear(self.word, self.widths[-1]).bounds, self.low, self.high, self.special)}

    def slots(self, width: int) -> Sequence[Slot]:
        """Its field, with the values that need just this width."""
        kind = Linear(self.word, width)
        allowed = _allowed(kind.bounds, self.low, self.high, self.special)
        narrower = [other for other in self.widths if other < width]
        if narrower:
            inner = Linear(self.word, narrower[-1]).bounds
            allowed = tuple(piece for span in allowed for piece in _outside(span, inner))
        return (Slot(self.name, 0, kind, allowed),)


@dataclass(frozen=True, slots=True)
class Bits:
    """
    Named bits, the least significant first; None is a bit without meaning: sent as 0, not looked at. A name that begins
    with `not_` is a field without it, the other way round.
    """

    names: tuple[str | None, ...]
    order = None
    constant = None

    @property
    def bits(self) -> int:
        """How many."""
        return len(self.names)

    @property
    def widths(self) -> tuple[int, ...]:
        """One."""
        return (len(self.names),)

    @property
    def ranges(self) -> Mapping[str, Span]:
        """Every named bit is 0 or 1."""
        return {plain_bit(name): (0, 1) for name in self.names if name is not None}

    def slots(self, width: int) -> Sequence[Slot]:
        """Each named bit."""
        return [
            Slot(plain_bit(name), place, _ON_OFF, ((0, 1),), inverted=name != plain_bit(name))
            for place, name in enumerate(self.names)
            if name is not None
        ]


def plain_bit(name: str) -> str:
    """The field of a bit: `enabled` for `enabled` and for `not_enabled`."""
    return name[4:] if name.startswith("not_") and name[4:5].isalpha() else name


@dataclass(frozen=True, slots=True)
class Rolling:
    """A counter that goes up with each frame, and round: the field `rolling`. See `codec.Rolling` for who counts."""

    bits: int
    echoed: bool = False
    order = None
    constant = None

    @property
    def widths(self) -> tuple[int, ...]:
        """One."""
        return (self.bits,)

    @property
    def ranges(self) -> Mapping[str, Span]:
        """Its one field."""
        return {ROLLING: (0, (1 << self.bits) - 1)}

    def slots(self, width: int) -> Sequence[Slot]:
        """Its one field."""
        return (Slot(ROLLING, 0, Linear("unsigned", self.bits), ((0, (1 << self.bits) - 1),)),)


@dataclass(frozen=True, slots=True)
class Checksum:
    """
    Computed when sent, compared when received: no field. `over` names what it covers, in this order: `identifier`,
    `node`, `payload` (all other bytes) or fields of whole bytes. `name` is that of its definition, where it has one.
    """

    method: Method
    over: tuple[str, ...] = ("payload",)
    order: ByteOrder | None = None
    name: str = ""
    constant = None
    ranges: Mapping[str, Span] = field(default_factory=dict, init=False, repr=False, compare=False)

    @property
    def bits(self) -> int:
        """Its width."""
        return self.method.bits

    @property
    def widths(self) -> tuple[int, ...]:
        """One."""
        return (self.method.bits,)

    def slots(self, width: int) -> Sequence[Slot]:
        """It carries no field."""
        return ()


def _cut(bounds: Span, low: int | None, high: int | None, special: Special) -> Span:
    """The values that may be sent: special ones at the ends are left out."""
    first = bounds[0] if low is None else max(low, bounds[0])
    last = bounds[1] if high is None else min(high, bounds[1])
    while first < last and first in special:
        first += 1
    while first < last and last in special:
        last -= 1
    return first, last


def _allowed(bounds: Span, low: int | None, high: int | None, special: Special) -> tuple[Span, ...]:
    """The lawful values: the range, and special values beside it; touching spans are one."""
    first = bounds[0] if low is None else max(low, bounds[0])
    last = bounds[1] if high is None else min(high, bounds[1])
    spans = [(first, last)] if first <= last else []
    spans += [(value, value) for value in special if bounds[0] <= value <= bounds[1]]
    joined: list[Span] = []
    for start, end in sorted(spans):
        if joined and start <= joined[-1][1] + 1:
            joined[-1] = (joined[-1][0], max(joined[-1][1], end))
        else:
            joined.append((start, end))
    return tuple(joined)


def _outside(span: Span, inner: Span) -> list[Span]:
    """What of a span lies outside another."""
    below = (span[0], min(span[1], inner[0] - 1))
    above = (max(span[0], inner[1] + 1), span[1])
    return [piece for piece in (below, above) if piece[0] <= piece[1]]
