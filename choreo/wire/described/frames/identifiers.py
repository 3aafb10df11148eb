"""Ranges of identifiers: a base to which the node number is added, or bit fields of which one is the node number."""

from typing import NamedTuple

from choreo.wire.described.frames.overlap import any_matching


class Addressing(NamedTuple):
    """Identifiers of `bits` (11 or 29); nodes `first` to `last`, and the number that means all of them."""

    bits: int
    first: int
    last: int
    broadcast: int | None

    @property
    def numbers(self) -> tuple[int, int]:
        """The smallest and the largest number that stands in an identifier."""
        if self.broadcast is None:
            return self.first, self.last
        return min(self.first, self.broadcast), max(self.last, self.broadcast)

    def text(self, identifier: int) -> str:
        """An identifier as it is written: three or eight hexadecimal figures."""
        return f"{identifier:0{3 if self.bits == 11 else 8}X}"

    def lawful(self, number: int) -> bool:
        """Whether a number is a node's, or that of all nodes."""
        return self.first <= number <= self.last or number == self.broadcast


class IdField(NamedTuple):
    """A bit field of an identifier: `constant`, `node` or `ignored` (sent as 0, not looked at)."""

    kind: str
    bits: int
    value: int = 0  # of a constant


class IdRange(NamedTuple):
    """
    The identifiers of one kind of frame: `base + (number << shift)`.

    In a range of bit `fields` (most significant first) the number has `node_bits` bits of its own and `care` are the
    constant ones; in a range with a base alone the number is added.
    """

    base: int
    shift: int = 0
    node_bits: int | None = None
    care: int = 0
    fields: tuple[IdField, ...] = ()

    @classmethod
    def of_fields(cls, *fields: IdField) -> "IdRange":
        """From bit fields, the most significant first; one of them is the node's."""
        base = care = shift = node_bits = 0
        at = sum(field.bits for field in fields)
        for field in fields:
            at -= field.bits
            if field.kind == "node":
                shift, node_bits = at, field.bits
            elif field.kind == "constant":
                base |= field.value << at
                care |= ((1 << field.bits) - 1) << at
        return cls(base, shift, node_bits, care, fields)

    def identifier(self, number: int) -> int:
        """The identifier of a node's frames, or with the broadcast number of those to all."""
        return self.base + (number << self.shift)

    def number(self, identifier: int) -> int | None:
        """The number in an identifier; None for one that is not of this range. Every number is taken for one."""
        if self.node_bits is None:
            return identifier - self.base if identifier >= self.base else None
        if (identifier ^ self.base) & self.care:
            return None
        return identifier >> self.shift & ((1 << self.node_bits) - 1)

    def could_share(self, other: "IdRange", at: Addressing) -> bool:
        """Whether some identifier may belong to both. It never misses one."""
        if self.node_bits is None and other.node_bits is None:
            lowest, highest = at.numbers
            return abs(self.base - other.base) <= highest - lowest
        if self.node_bits is None:
            return other._meets_interval(self, at)
        if other.node_bits is None:
            return self._meets_interval(other, at)
        if (self.base ^ other.base) & self.care & other.care:
            return False
        return self._meets_constants(other, at) and other._meets_constants(self, at)

    def _meets_interval(self, based: "IdRange", at: Addressing) -> bool:
        lowest, highest = at.numbers
        return any_matching(based.base + lowest, based.base + highest, self.care, self.base)

    def _meets_constants(self, other: "IdRange", at: Addressing) -> bool:
        """Whether some lawful number has, in this range's node bits, the constants of the other."""
        node_mask = (1 << (self.node_bits or 0)) - 1
        mask, wanted = (
            other.care >> self.shift & node_mask,
            other.base >> self.shift & node_mask & (other.care >> self.shift),
        )
        spans = [(at.first, at.last)] + ([] if at.broadcast is None else [(at.broadcast, at.broadcast)])
        return any(any_matching(low, high, mask, wanted) for low, high in spans)
