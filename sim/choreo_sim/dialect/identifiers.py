"""
Who speaks to whom: ranges of identifiers, each with the node number in it.

Whether two ranges meet is for the checker of dialects to prove; a drive looks only for its own number.
"""

from collections.abc import Mapping
from dataclasses import dataclass

from choreo_sim.yaml_tree import Node


@dataclass(frozen=True, slots=True)
class Range:
    """
    One range. An identifier belongs to it when the bits of `mask` are those of `constant`; the node number is what
    stands `shift` bits up, `node_bits` wide, or, with a base (`node_bits` 0), what is above `constant`.
    """

    name: str
    constant: int
    mask: int = 0
    node_bits: int = 0
    shift: int = 0

    def identifier(self, node: int) -> int:
        """The identifier that carries a node number."""
        if not self.node_bits:
            return self.constant + node
        return self.constant | node << self.shift

    def node_of(self, identifier: int) -> int | None:
        """The node number in an identifier; None if it does not belong to this range."""
        if not self.node_bits:
            return identifier - self.constant if identifier >= self.constant else None
        if identifier & self.mask != self.constant:
            return None
        return identifier >> self.shift & (1 << self.node_bits) - 1


def ranges_of(node: Node) -> tuple[bool, Mapping[str, Range]]:
    """Whether identifiers have 29 bits, and the ranges by name."""
    given = node.mapping()
    bits = int(given["bits"].one_of(("11", "29"))) if "bits" in given else 11
    return bits == 29, {name: _range(name, entry, bits) for name, entry in given.items() if name != "bits"}


def _range(name: str, node: Node, bits: int) -> Range:
    given = node.only(("base", "fields"))
    if "fields" not in given:
        return Range(name, node.need("base").integer(0, (1 << bits) - 1))
    if "base" in given:
        raise given["base"].error("`base` and `fields` exclude each other")
    constant = mask = node_bits = shift = 0
    left = bits  # bits that are still to come, from the most significant down
    for item in given["fields"].items():
        parts = item.mapping()
        width = parts.get("bits") or parts.get("node") or parts.get("ignored")
        if width is None:
            raise item.error("{constant: N, bits: N}, {node: N} or {ignored: N} is expected here")
        item.only(("constant", "bits") if "constant" in parts else ("node",) if "node" in parts else ("ignored",))
        wide = width.integer(1, bits)
        left -= wide
        if left < 0:
            raise item.error(f"these fields have more than the {bits} bits of an identifier")
        if "constant" in parts:
            constant |= parts["constant"].integer(0, (1 << wide) - 1) << left
            mask |= (1 << wide) - 1 << left
        elif "node" in parts:
            if node_bits:
                raise item.error("the node number stands here twice")
            node_bits, shift = wide, left
    if left or not node_bits:
        what = f"these fields leave {left} of {bits} bits open" if left else "the node number, {node: 8}, is missing"
        raise given["fields"].error(what)
    return Range(name, constant, mask, node_bits, shift)
