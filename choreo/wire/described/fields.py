"""
The parts of a payload, and a payload made of them.

A part is a whole number of bytes. It says which fields it carries and what they can hold, which of its bytes are
constant, and how to put values in and take them out. A new kind of field is one more class with these five members.
"""

from collections.abc import Iterable, Mapping, Sequence
from itertools import chain
from typing import Literal, NamedTuple, Protocol

#: The most data bytes that a classical frame carries (facts.md A1 to A4; ISO 11898-1).
MOST_BYTES = 8

ByteOrder = Literal["little", "big"]


class Part(Protocol):
    """What a payload is made of."""

    @property
    def size(self) -> int:
        """In bytes."""
        ...

    @property
    def ranges(self) -> Mapping[str, tuple[int, int]]:
        """Each field that it carries, with the smallest and largest value that it can hold."""
        ...

    @property
    def fixed(self) -> Sequence[int | None]:
        """One entry a byte: its value where it is always the same, None where it varies."""
        ...

    def put(self, values: Mapping[str, int]) -> bytes:
        """Its bytes. `values` has its fields, within their ranges."""
        ...

    def take(self, chunk: bytes) -> Iterable[tuple[str, int]]:
        """Field by field what `chunk`, of its size, says. Never raises."""
        ...


class Constant(NamedTuple):
    """One byte that is always the same: it tells messages apart."""

    value: int

    @property
    def size(self) -> int:
        """One byte."""
        return 1

    @property
    def ranges(self) -> Mapping[str, tuple[int, int]]:
        """It carries no field."""
        return {}

    @property
    def fixed(self) -> Sequence[int | None]:
        """Its value."""
        return (self.value,)

    def put(self, values: Mapping[str, int]) -> bytes:
        """Always the same."""
        return bytes((self.value,))

    def take(self, chunk: bytes) -> Iterable[tuple[str, int]]:
        """Nothing."""
        return ()


class Number(NamedTuple):
    """An integer of 8 to 64 bits, a multiple of 8; two's complement when `signed`."""

    name: str
    bits: int
    signed: bool
    order: ByteOrder = "little"

    @property
    def size(self) -> int:
        """In bytes."""
        return self.bits // 8

    @property
    def minimum(self) -> int:
        """The smallest value that it holds."""
        return -(1 << (self.bits - 1)) if self.signed else 0

    @property
    def maximum(self) -> int:
        """The largest value that it holds."""
        return (1 << (self.bits - self.signed)) - 1

    @property
    def ranges(self) -> Mapping[str, tuple[int, int]]:
        """Its one field."""
        return {self.name: (self.minimum, self.maximum)}

    @property
    def fixed(self) -> Sequence[int | None]:
        """All of it varies."""
        return (None,) * self.size

    def put(self, values: Mapping[str, int]) -> bytes:
        """Its bytes in its byte order."""
        return values[self.name].to_bytes(self.size, self.order, signed=self.signed)

    def take(self, chunk: bytes) -> Iterable[tuple[str, int]]:
        """Its one value."""
        return ((self.name, int.from_bytes(chunk, self.order, signed=self.signed)),)


class Bits(NamedTuple):
    """One byte of eight bits, the least significant first; None is a bit without meaning: sent as 0, not looked at."""

    names: tuple[str | None, ...]

    @property
    def size(self) -> int:
        """One byte."""
        return 1

    @property
    def ranges(self) -> Mapping[str, tuple[int, int]]:
        """Every named bit is 0 or 1."""
        return {name: (0, 1) for name in self.names if name is not None}

    @property
    def fixed(self) -> Sequence[int | None]:
        """All of it varies."""
        return (None,)

    def put(self, values: Mapping[str, int]) -> bytes:
        """The byte."""
        return bytes((sum(values[name] << place for place, name in enumerate(self.names) if name is not None),))

    def take(self, chunk: bytes) -> Iterable[tuple[str, int]]:
        """Each named bit."""
        byte = chunk[0]
        return [(name, byte >> place & 1) for place, name in enumerate(self.names) if name is not None]


class Ignored(NamedTuple):
    """`size` bytes without meaning to choreo: sent as 0, not looked at."""

    size: int

    @property
    def ranges(self) -> Mapping[str, tuple[int, int]]:
        """It carries no field."""
        return {}

    @property
    def fixed(self) -> Sequence[int | None]:
        """All of it may vary."""
        return (None,) * self.size

    def put(self, values: Mapping[str, int]) -> bytes:
        """Zeros."""
        return bytes(self.size)

    def take(self, chunk: bytes) -> Iterable[tuple[str, int]]:
        """Nothing."""
        return ()


class Layout:
    """A payload: its parts from byte 0 on, always of the same length."""

    __slots__ = ("_mask", "_wanted", "fixed", "parts", "ranges", "selector", "size")

    def __init__(self, parts: Sequence[Part]) -> None:
        self.parts = tuple(parts)
        self.size = sum(part.size for part in parts)
        self.ranges: Mapping[str, tuple[int, int]] = {k: v for part in parts for k, v in part.ranges.items()}
        self.fixed: tuple[int | None, ...] = tuple(chain.from_iterable(part.fixed for part in parts))
        self._mask = int.from_bytes(bytes(0 if byte is None else 0xFF for byte in self.fixed), "big")
        self._wanted = int.from_bytes(bytes(byte or 0 for byte in self.fixed), "big")
        #: The first constant: what an error reply names when it says which request it refuses.
        self.selector: int | None = next((byte for byte in self.fixed if byte is not None), None)

    def encode(self, values: Mapping[str, int]) -> bytes:
        """The payload. Raises ValueError naming the field, the value and what is allowed."""
        self._check(values)
        return b"".join([part.put(values) for part in self.parts])

    def _check(self, values: Mapping[str, int]) -> None:
        for name, (low, high) in self.ranges.items():
            value = values.get(name)
            if value is None:
                raise ValueError(f"{name} is missing: it must be {low} to {high}")
            if not isinstance(value, int) or not low <= value <= high:
                raise ValueError(f"{name} {value!r} is outside {low} to {high}")
        for name in values:
            if name not in self.ranges:
                raise ValueError(f"{name} is none of its fields: {', '.join(self.ranges) or 'it has none'}")

    def fits(self, data: bytes) -> bool:
        """Whether `data` has this length and every constant."""
        return len(data) == self.size and int.from_bytes(data, "big") & self._mask == self._wanted

    def decode(self, data: bytes) -> dict[str, int]:
        """The values of a payload that `fits`."""
        values: dict[str, int] = {}
        at = 0
        for part in self.parts:
            end = at + part.size
            values.update(part.take(data[at:end]))
            at = end
        return values

    def could_be(self, other: "Layout") -> bool:
        """Whether some payload fits both: the same length, and no byte in which two constants differ."""
        if self.size != other.size:
            return False
        return all(a is None or b is None or a == b for a, b in zip(self.fixed, other.fixed, strict=True))
