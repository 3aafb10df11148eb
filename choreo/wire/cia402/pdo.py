"""Process data objects: the mapping of objects into the eight bytes of one frame (facts.md B11; CiA 301)."""

from collections.abc import Sequence

from choreo.wire.cia402.objects import POSITION_ACTUAL, STATUSWORD, DriveObject

#: A drive sends its first TPDO on 0x180 + node.
TPDO1_BASE = 0x180

MOST_BITS = 64


class PdoMapping:
    """
    The objects of one PDO, in their order, packed without gaps from the least significant bit of byte 0 on.

    Raises ValueError when they have more than 64 bits.
    """

    def __init__(self, objects: Sequence[DriveObject]) -> None:
        self.objects = tuple(objects)
        self.bits = sum(entry.bits for entry in objects)
        if self.bits > MOST_BITS:
            raise ValueError(f"mapped objects have {self.bits} bits, and a PDO holds at most {MOST_BITS}")
        self.size = -(-self.bits // 8)

    @property
    def parameters(self) -> tuple[int, ...]:
        """The mapping parameter of each object: index, sub-index, length in bits."""
        return tuple(entry.index << 16 | entry.subindex << 8 | entry.bits for entry in self.objects)

    def decode(self, data: bytes) -> tuple[int, ...] | None:
        """The value of each object, in order; None when the length is not that of the mapping. Never raises."""
        if len(data) != self.size:
            return None
        rest = int.from_bytes(data, "little")
        values: list[int] = []
        for entry in self.objects:
            value = rest & ((1 << entry.bits) - 1)
            rest >>= entry.bits
            negative = entry.signed and value >> (entry.bits - 1)
            values.append(value - (1 << entry.bits) if negative else value)
        return tuple(values)


#: A pushed position sample: what choreo maps into the first TPDO (facts.md C15).
POSITION_SAMPLE = PdoMapping((STATUSWORD, POSITION_ACTUAL))
