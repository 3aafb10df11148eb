"""Payloads and identifier ranges, as a dialect file writes them."""

import re
from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import NamedTuple

from choreo.diagnostic import Mark, Span
from choreo.text.tree import Branch, Tree
from choreo.wire.described.codec import Addressing
from choreo.wire.described.fields import MOST_BYTES, Bits, ByteOrder, Constant, Ignored, Layout, Number, Part
from choreo.wire.described.reading import Reader, near, value_of

_NUMBER = re.compile(r"(signed|unsigned) +([0-9]{1,3})")
_UNUSED_BIT = "-"
_FORMS = (
    "A part is {constant: 0x11}, {name: signed 32}, {name: unsigned 8}, {bits: [a, b, -, -, -, -, -, -]} "
    "or {ignored: 8}."
)


class Range(NamedTuple):
    """A named range of identifiers: the node number, or the broadcast number, is added to the base."""

    name: str
    base: int
    span: Span


class Payload(NamedTuple):
    """A payload and where each of its fields stands."""

    layout: Layout
    span: Span
    fields: Mapping[str, Span]


def read_addressing(reader: Reader, nodes: Tree | None, identifiers: Tree | None) -> Addressing | None:
    """`nodes:` and the number of identifier bits."""
    bits = reader.choice(value_of(reader.open_mapping(identifiers, "identifiers"), "bits"), "bits", ("11", "29"))
    if identifiers is not None and bits is None and isinstance(identifiers, Branch) and "bits" not in identifiers:
        reader.error("missing-key", "identifiers has no `bits`", identifiers.span, "Add `bits: 11` or `bits: 29`.")
    entries = reader.mapping(nodes, "nodes", needs=("from", "to"), may=("broadcast",))
    most = (1 << int(bits or 29)) - 1
    first = reader.integer(value_of(entries, "from"), "the first node", 0, most)
    last = reader.integer(value_of(entries, "to"), "the last node", 0, most)
    broadcast = reader.integer(value_of(entries, "broadcast"), "the broadcast number", 0, most)
    if entries is None or first is None or last is None:
        return None
    if first > last:
        help = "Write the smaller number behind `from`."
        reader.error("node-range", f"nodes go from {first} to {last}", entries["to"].value.span, help)
        return None
    if broadcast is not None and first <= broadcast <= last:
        what = f"the broadcast number {broadcast} is also a node number, within {first} to {last}"
        reader.error("node-range", what, entries["broadcast"].value.span, "Take a number that no node has.")
        return None
    return None if bits is None else Addressing(int(bits), first, last, broadcast)


#: By name; None where the file names a range and it could not be read.
Ranges = Mapping[str, Range | None]


def read_ranges(reader: Reader, tree: Tree | None, at: Addressing | None) -> Ranges:
    """The named identifier ranges. Each must fit the identifier; no two may overlap."""
    ranges: dict[str, Range | None] = {}
    for name, entry in (reader.open_mapping(tree, "identifiers") or {}).items():
        if name == "bits" or reader.name(entry.key, "identifier range") is None:
            continue
        base_tree = value_of(reader.mapping(entry.value, f"identifier range {name}", needs=("base",)), "base")
        base = reader.integer(base_tree, f"the base of identifier range {name}", 0, (1 << 29) - 1)
        ranges[name] = None if base is None or base_tree is None else Range(name, base, base_tree.span)
    if at is not None:
        readable_ones = [range_ for range_ in ranges.values() if range_ is not None]
        _check_fit(reader, readable_ones, at)
        _check_overlap(reader, readable_ones, at)
    return ranges


def _check_fit(reader: Reader, ranges: Sequence[Range], at: Addressing) -> None:
    highest, most = at.numbers[1], (1 << at.bits) - 1
    for range_ in ranges:
        if range_.base + highest > most:
            reader.error(
                "node-range",
                f"identifier range {range_.name} reaches {range_.base + highest:#x} at number {highest}, "
                f"and {at.bits} bits hold at most {most:#x}",
                range_.span,
                "Lower the base or the last node, or use 29 bits if the drive does.",
            )


def _check_overlap(reader: Reader, ranges: Sequence[Range], at: Addressing) -> None:
    lowest, highest = at.numbers
    for below, above in pairwise(sorted(ranges, key=lambda range_: range_.base)):
        if above.base + lowest <= below.base + highest:
            reader.error(
                "identifiers-overlap",
                f"identifier range {above.name} begins at {above.base + lowest:#x}, and range {below.name} goes on to "
                f"{below.base + highest:#x}",
                above.span,
                "Move the bases apart, or put both kinds of frame on one range.",
                Mark(below.span, f"range {below.name}"),
            )


def read_payload(reader: Reader, tree: Tree | None, what: str, order: ByteOrder) -> Payload | None:
    """A list of parts, from byte 0 on."""
    parts = reader.items(tree, f"the payload of {what}")
    if parts is None or tree is None:
        return None
    before = len(reader.findings)
    found: list[Part] = []
    fields: dict[str, Span] = {}
    for tree_part in parts:
        part = _read_part(reader, tree_part, what, order)
        if part is None:
            continue
        found.append(part)
        for name in part.ranges:
            if name in fields:
                first = Mark(fields[name], "the first one")
                reader.error("duplicate", f"{what} has two fields `{name}`", tree_part.span, "Rename one.", first)
            fields[name] = tree_part.span
    size = sum(part.size for part in found)
    if size > MOST_BYTES:
        reader.error(
            "payload-too-long",
            f"the payload of {what} has {size} bytes, and a CAN frame carries at most {MOST_BYTES}",
            tree.span,
            "Shorten it; a command over several frames is described as several messages.",
        )
    return None if len(reader.findings) > before else Payload(Layout(found), tree.span, fields)


def _read_part(reader: Reader, tree: Tree, what: str, order: ByteOrder) -> Part | None:
    entries = reader.open_mapping(tree, f"a part of {what}")
    if entries is None:
        return None
    if len(entries) != 1:
        reader.error("part", f"a part of {what} has {len(entries)} keys, and must have one", tree.span, _FORMS)
        return None
    ((name, entry),) = entries.items()
    if name == "constant":
        value = reader.integer(entry.value, f"a constant of {what}", 0, 255)
        return None if value is None else Constant(value)
    if name == "ignored":
        return _read_ignored(reader, entry.value, what)
    if name == "bits":
        return _read_bits(reader, entry.value, what)
    if reader.name(entry.key, f"field of {what}") is None:
        return None
    return _read_number(reader, name, entry.value, what, order)


def _read_ignored(reader: Reader, tree: Tree, what: str) -> Ignored | None:
    bits = reader.integer(tree, f"the ignored bits of {what}", 8, 8 * MOST_BYTES)
    if bits is None:
        return None
    if bits % 8:
        reader.error("part", f"{what} ignores {bits} bits, which is no whole number of bytes", tree.span, _FORMS)
        return None
    return Ignored(bits // 8)


def _read_bits(reader: Reader, tree: Tree, what: str) -> Bits | None:
    items = reader.items(tree, f"the bits of {what}")
    if items is None:
        return None
    if len(items) != 8:
        help = "Name eight bits, the least significant first, with - for those without meaning."
        reader.error("part", f"the bits of {what} are {len(items)}, and a byte has 8", tree.span, help)
        return None
    names: list[str | None] = []
    for item in items:
        name = None if item == _UNUSED_BIT else reader.name(item, f"bit of {what}")
        if name is None and item != _UNUSED_BIT:
            return None
        if name is not None and name in names:
            reader.error("duplicate", f"{what} has two bits `{name}`", item.span, "Rename one.")
            return None
        names.append(name)
    return Bits(tuple(names))


def _read_number(reader: Reader, name: str, tree: Tree, what: str, order: ByteOrder) -> Number | None:
    text = reader.text(tree, f"field {name} of {what}")
    if text is None:
        return None
    match = _NUMBER.fullmatch(text)
    if match is None:
        kind = text.split(" ")[0]
        hint = near(kind, ("signed", "unsigned")) if kind not in ("signed", "unsigned") else _FORMS
        reader.error("part", f"field {name} of {what} cannot be `{text}`", tree.span, hint)
        return None
    bits = int(match[2])
    if bits % 8 or not 8 <= bits <= 64:
        help = "Take a multiple of 8, from 8 to 64."
        reader.error("part", f"field {name} of {what} has {bits} bits", tree.span, help)
        return None
    return Number(name, bits, match[1] == "signed", order)
