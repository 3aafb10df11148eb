"""
Checksums over a frame: sum, exclusive or, and cyclic redundancy checks computed bit by bit.

A cyclic check is described by width, polynomial (its top term left out), initial value, whether bits are taken in and
given out in reverse, and what is added at the end: the usual five parameters of CRC catalogues.
"""

from collections.abc import Callable
from functools import reduce
from operator import xor
from typing import NamedTuple

from choreo_sim.yaml_tree import Node

Sum = Callable[[bytes], int]


class Address(NamedTuple):
    """What of a frame lies outside its payload."""

    identifier: int
    extended: bool
    node: int

    def bytes_of(self, part: str) -> bytes:
        """The bytes that a checksum takes for `identifier` or `node`."""
        if part == "node":
            return bytes([self.node & 0xFF])
        return self.identifier.to_bytes(4 if self.extended else 2, "big")


def mirrored(value: int, bits: int) -> int:
    """The lowest `bits` bits in reverse."""
    return int(f"{value & (1 << bits) - 1:0{bits}b}"[::-1], 2)


def cyclic(width: int, polynomial: int, initial: int, reflected: bool, final: int) -> Sum:
    """A cyclic redundancy check as a function of bytes, by shifting one bit at a time."""
    top = 1 << (width - 1)

    def shift(data: bytes) -> int:
        register = initial
        for byte in data:
            register ^= (mirrored(byte, 8) if reflected else byte) << (width - 8)
            for _ in range(8):
                carry = register & top
                register = register << 1 & (1 << width) - 1
                if carry:
                    register ^= polynomial
        return (mirrored(register, width) if reflected else register) ^ final

    return shift


#: What describes a cyclic check.
PARAMETERS = ("crc", "polynomial", "initial", "reflected", "final")


def sum_of(node: Node) -> tuple[int, Sum]:
    """What is spelled out after `checksum:`: the width in bits, and the function."""
    if isinstance(node.value, dict):
        node.only(PARAMETERS)
        return cyclic_of(node)
    match node.text().split():
        case [("sum" | "xor") as kind, bits]:
            return plain_of(node, kind, bits)
    raise node.error("a checksum is `sum 8`, `sum 16`, `xor 8` or {crc: 8, polynomial: 0x1D, ...}, or a defined name")


def plain_of(node: Node, kind: str, bits: str) -> tuple[int, Sum]:
    """A sum, or an exclusive or, of so many bits."""
    match kind, bits:
        case "sum", "8" | "16":
            modulus = 1 << int(bits)
            return int(bits), lambda data: sum(data) % modulus
        case "xor", "8":
            return 8, lambda data: reduce(xor, data, 0)
    raise node.error(f"there is no {kind} of {bits} bits: a sum has 8 or 16, an xor has 8")


def cyclic_of(node: Node) -> tuple[int, Sum]:
    """A cyclic check from its parameters; other keys of the mapping do not matter."""
    width = node.need("crc").integer(8, 64)
    if width % 8:
        raise node.need("crc").error("a checksum is made of whole bytes")
    top = (1 << width) - 1
    given = node.mapping()
    return width, cyclic(
        width,
        node.need("polynomial").integer(1, top),
        given["initial"].integer(0, top) if "initial" in given else 0,
        "reflected" in given and given["reflected"].flag(),
        given["final"].integer(0, top) if "final" in given else 0,
    )
