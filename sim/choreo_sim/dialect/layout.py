"""
One payload of one length: where its parts lie, and how values by name become bytes and bytes values.

A drive must tell apart what is none of its messages from what is one and cannot be believed (a wrong checksum: it was
not heard) or obeyed (a value outside its range: it is answered with an error).
"""

from collections.abc import Mapping, Sequence
from enum import Enum

from choreo_sim.dialect.checksums import Address
from choreo_sim.dialect.parts import (
    LONGEST,
    Checksum,
    Constant,
    Flags,
    Ignored,
    Listed,
    Number,
    Part,
    Rolling,
)
from choreo_sim.dialect.places import ByteOrder, Piece, fetch, pieces, store
from choreo_sim.yaml_tree import Node, one_of

Values = Mapping[str, int]
Place = tuple[Piece, ...]


class Verdict(Enum):
    """What bytes are to a layout."""

    FITS = "fits"
    OTHER = "is another message"
    DAMAGED = "has a wrong checksum"
    BAD_VALUE = "holds a value that cannot be"


class Layout:
    """
    The parts of a payload in their places. `length` is in bytes; `ranges` are by field name, single bits included.
    """

    __slots__ = (
        "_blank",
        "_checksum",
        "_constants",
        "_flags",
        "_listed",
        "_numbers",
        "_rolling",
        "length",
        "names",
        "prefix",
        "ranges",
        "rolling",
    )

    def __init__(self, node: Node, listed: Sequence[Listed], order: ByteOrder) -> None:
        self._listed = listed
        self._constants: list[tuple[Place, int]] = []
        self._numbers: list[tuple[Place, Number]] = []
        self._flags: list[tuple[Place, Flags]] = []
        self._rolling: Place | None = None
        self._checksum: tuple[Place, Checksum, tuple[int | str, ...]] | None = None
        self.rolling: Rolling | None = None
        self.ranges: dict[str, tuple[int, int]] = {}
        places: dict[str, range] = {}  # whole-byte fields by name
        start = 0
        for entry in listed:
            place = self._place(entry, start, order)
            self._enter(entry, place)
            if start % 8 == 0 and entry.part.bits % 8 == 0 and isinstance(entry.part, Number):
                places[entry.part.name] = range(start // 8, (start + entry.part.bits) // 8)
            start += entry.part.bits
        if start % 8:
            raise node.error(f"the parts have {start} bits; they must be whole bytes together")
        if start > 8 * LONGEST:
            raise node.error(f"the payload has {start // 8} bytes; a CAN frame holds {LONGEST}")
        self.length = start // 8
        self._blank = bytearray(self.length)  # with the constants in it
        for place, constant in self._constants:
            store(self._blank, place, constant)
        self.names = tuple(self.ranges)
        self.prefix = self._prefix()
        self._cover(node, places)

    @staticmethod
    def _place(entry: Listed, start: int, order: ByteOrder) -> Place:
        aligned = start % 8 == 0 and entry.part.bits % 8 == 0
        if (entry.order is not None or isinstance(entry.part, Checksum)) and not aligned:
            what = "a checksum lies" if isinstance(entry.part, Checksum) else "a byte order of its own is for parts"
            raise entry.node.error(f"{what} on whole bytes only")
        return pieces(start, entry.part.bits, entry.order or order)

    def _enter(self, entry: Listed, place: Place) -> None:
        part: Part = entry.part
        names: tuple[str, ...] = ()
        match part:
            case Constant():
                self._constants.append((place, part.value))
            case Number():
                self._numbers.append((place, part))
                self.ranges[part.name] = (part.low, part.high)
                names = (part.name,)
            case Flags():
                self._flags.append((place, part))
                names = tuple(name for name, _ in part.masks)
                self.ranges.update((name, (0, 1)) for name in names)
            case Rolling() if self.rolling is None:
                self._rolling, self.rolling = place, part
            case Checksum() if self._checksum is None:
                self._checksum = (place, part, ())
            case Ignored():
                pass
            case _:
                raise entry.node.error("at most one of its kind stands in a payload")
        if len(self.ranges) < sum(len(flags.masks) for _, flags in self._flags) + len(self._numbers):
            raise entry.node.error(f"{one_of(names)} stands here twice")

    def _prefix(self) -> bytes:
        """The bytes at the beginning that are constants of one byte each."""
        leading = bytearray()
        for entry in self._listed:
            if not isinstance(entry.part, Constant) or entry.part.bits != 8:
                break
            leading.append(entry.part.value)
        return bytes(leading)

    def _cover(self, node: Node, places: Mapping[str, range]) -> None:
        """Resolve what the checksum covers: bytes of the payload by number, parts outside it by word."""
        if self._checksum is None:
            return
        place, checksum, _ = self._checksum
        own = {piece.byte for piece in place}
        covered: list[int | str] = []
        for name in checksum.over:
            if name == "payload":
                covered += [byte for byte in range(self.length) if byte not in own]
            elif name in ("identifier", "node"):
                covered.append(name)
            elif name in places:
                covered += places[name]
            else:
                raise node.error(
                    f"{name!r} is nothing that a checksum covers; {one_of(('identifier', 'node', 'payload', *places))}"
                )
        self._checksum = (place, checksum, tuple(covered))

    @property
    def selector(self) -> int:
        """The first constant: it says which request it is; 0 if there is none."""
        return self._constants[0][1] if self._constants else 0

    @property
    def fixed(self) -> bool:
        """Whether the same frame always has the same bytes."""
        loose = any(isinstance(entry.part, Ignored) or entry.part.bits != _used(entry.part) for entry in self._listed)
        return not (self.names or self.rolling or loose)

    @property
    def plain(self) -> tuple[tuple[Number, ...], bool]:
        """The numbers, and whether there is nothing but leading constants and numbers of full range behind them."""
        numbers = tuple(number for _, number in self._numbers)
        simple = len(self._listed) == len(self.prefix) + len(numbers) and all(
            (number.low, number.high) == (number.notation.low, number.notation.high) for number in numbers
        )
        return numbers, simple and all(entry.order is None for entry in self._listed)

    def holds(self, values: Values) -> bool:
        """Whether every field can hold its value; a missing one is taken for zero."""
        return all(low <= values.get(name, 0) <= high for name, (low, high) in self.ranges.items())

    def write(self, values: Values, address: Address | None = None) -> bytes:
        """The bytes for values; those out of range are taken for the nearest that is in it, missing ones for zero."""
        data = bytearray(self._blank)
        for place, number in self._numbers:
            value = values.get(number.name, 0)
            if not number.low <= value <= number.high:
                value = min(max(value, number.low), number.high)
            store(data, place, number.notation.write(value))
        for place, flags in self._flags:
            raw = flags.resting
            for name, mask in flags.masks:
                if values.get(name):
                    raw ^= mask
            store(data, place, raw)
        if self._rolling is not None and self.rolling is not None:
            store(data, self._rolling, values.get("rolling", 0) % (1 << self.rolling.bits))
        if self._checksum is not None:
            store(data, self._checksum[0], self._sum(data, address))
        return bytes(data)

    def read(self, data: bytes, address: Address | None = None) -> tuple[Verdict, dict[str, int]]:
        """What bytes are, and the values by name where they fit."""
        if len(data) != self.length or any(fetch(data, place) != value for place, value in self._constants):
            return Verdict.OTHER, {}
        if self._checksum is not None and self._is_wrong(data, address):
            return Verdict.DAMAGED, {}
        values: dict[str, int] = {}
        for place, number in self._numbers:
            value = number.notation.read(fetch(data, place))
            if value is None or not (number.low <= value <= number.high or value in number.special):
                return Verdict.BAD_VALUE, {}
            values[number.name] = value
        for place, flags in self._flags:
            raw = fetch(data, place) ^ flags.resting
            values.update((name, int(raw & mask > 0)) for name, mask in flags.masks)
        if self._rolling is not None:
            values["rolling"] = fetch(data, self._rolling)
        return Verdict.FITS, values

    def _is_wrong(self, data: bytes, address: Address | None) -> bool:
        """Whether the checksum is wrong; what cannot be told without an address is believed."""
        assert self._checksum is not None
        place, _, covered = self._checksum
        if address is None and any(isinstance(entry, str) for entry in covered):
            return False
        return fetch(data, place) != self._sum(data, address)

    def _sum(self, data: bytes | bytearray, address: Address | None) -> int:
        """The checksum of bytes; without an address, what lies outside the payload is left out."""
        assert self._checksum is not None
        _, checksum, covered = self._checksum
        parts = [
            bytes([data[entry]]) if isinstance(entry, int) else address.bytes_of(entry) if address else b""
            for entry in covered
        ]
        return checksum.sum(b"".join(parts)) % (1 << checksum.bits)


def _used(part: Part) -> int:
    """How many bits of a part mean something."""
    return len(part.masks) if isinstance(part, Flags) else part.bits
