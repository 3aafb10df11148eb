"""Nodes and identifier ranges, as a dialect file writes them."""

from collections.abc import Mapping, Sequence
from typing import NamedTuple

from choreo.diagnostic import Mark, Span
from choreo.text.tree import Branch, Tree
from choreo.wire.described.frames.identifiers import Addressing, IdField, IdRange
from choreo.wire.described.reading.reader import Reader, value_of

_FIELDS = "A field is {constant: 0b101, bits: 3}, {node: 8} or {ignored: 2}; the most significant comes first."


class PlacedRange(NamedTuple):
    """A named range of identifiers, and where its base or its fields stand."""

    name: str
    ids: IdRange
    span: Span


#: By name; None where the file names a range and it could not be read.
Ranges = Mapping[str, PlacedRange | None]


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


def read_ranges(reader: Reader, tree: Tree | None, at: Addressing | None) -> Ranges:
    """The named identifier ranges. Each must fit the identifier; no identifier may belong to two."""
    ranges: dict[str, PlacedRange | None] = {}
    for name, entry in (reader.open_mapping(tree, "identifiers") or {}).items():
        if name == "bits" or reader.name(entry.key, "identifier range") is None:
            continue
        ranges[name] = _read_range(reader, name, entry.value, at)
    if at is not None:
        readable_ones = [range_ for range_ in ranges.values() if range_ is not None]
        for range_ in readable_ones:
            _check_fit(reader, range_, at)
        _check_overlap(reader, readable_ones, at)
    return ranges


def _read_range(reader: Reader, name: str, tree: Tree, at: Addressing | None) -> PlacedRange | None:
    what = f"identifier range {name}"
    entries = reader.open_mapping(tree, what)
    if entries is not None and "fields" in entries:
        reader.mapping(tree, what, needs=("fields",))
        fields_tree = entries["fields"].value
        fields = _read_fields(reader, fields_tree, what, at)
        return None if fields is None else PlacedRange(name, IdRange.of_fields(*fields), fields_tree.span)
    base_tree = value_of(reader.mapping(tree, what, needs=("base",)), "base")
    base = reader.integer(base_tree, f"the base of {what}", 0, (1 << 29) - 1)
    return None if base is None or base_tree is None else PlacedRange(name, IdRange(base), base_tree.span)


def _read_fields(reader: Reader, tree: Tree, what: str, at: Addressing | None) -> list[IdField] | None:
    items = reader.items(tree, f"the fields of {what}")
    if items is None:
        return None
    read = [_read_field(reader, item, what) for item in items]
    fields = [field for field in read if field is not None]
    if len(fields) < len(read):
        return None
    nodes = [field for field in fields if field.kind == "node"]
    if len(nodes) != 1:
        reader.error("identifier-fields", f"{what} has {len(nodes)} fields for the node", tree.span, "Give it one.")
        return None
    total = sum(field.bits for field in fields)
    if at is not None and total != at.bits:
        missing = "Bits without meaning are {ignored: 2}; bits that are always the same are {constant: 0, bits: 2}."
        reader.error(
            "identifier-fields",
            f"the fields of {what} have {total} bits together, and an identifier has {at.bits}",
            tree.span,
            missing,
        )
        return None
    return fields


def _read_field(reader: Reader, tree: Tree, what: str) -> IdField | None:
    entries = reader.open_mapping(tree, f"a field of {what}")
    if entries is None:
        return None
    kind = next((kind for kind in ("constant", "node", "ignored") if kind in entries), None)
    if kind is None:
        reader.error("identifier-fields", f"a field of {what} says nothing that is known here", tree.span, _FIELDS)
        return None
    if kind != "constant":
        reader.mapping(tree, f"a field of {what}", needs=(kind,))
        bits = reader.integer(entries[kind].value, f"the bits of a field of {what}", 1, 29)
        return None if bits is None else IdField(kind, bits)
    reader.mapping(tree, f"a field of {what}", needs=("constant", "bits"))
    bits = reader.integer(value_of(entries, "bits"), f"the bits of a constant of {what}", 1, 29)
    value = reader.integer(entries["constant"].value, f"a constant of {what}", 0, (1 << (bits or 29)) - 1)
    return None if bits is None or value is None else IdField(kind, bits, value)


def _check_fit(reader: Reader, range_: PlacedRange, at: Addressing) -> None:
    ids, highest, most = range_.ids, at.numbers[1], (1 << at.bits) - 1
    if ids.node_bits is not None:
        if highest >> ids.node_bits:
            reader.error(
                "node-range",
                f"number {highest} does not fit the {ids.node_bits} bits of the node in identifier range {range_.name}",
                range_.span,
                "Lower the last node or the broadcast number, or widen the field, as the drive's manual says.",
            )
    elif ids.base + highest > most:
        reader.error(
            "node-range",
            f"identifier range {range_.name} reaches {ids.base + highest:#x} at number {highest}, "
            f"and {at.bits} bits hold at most {most:#x}",
            range_.span,
            "Lower the base or the last node, or use 29 bits if the drive does.",
        )


def _check_overlap(reader: Reader, ranges: Sequence[PlacedRange], at: Addressing) -> None:
    ordered = sorted(ranges, key=lambda range_: range_.ids.base)
    for index, above in enumerate(ordered):
        for below in reversed(ordered[:index]):
            if above.ids.could_share(below.ids, at):
                _overlap(reader, below, above, at)
                break  # of three that overlap, two findings are enough


def _overlap(reader: Reader, below: PlacedRange, above: PlacedRange, at: Addressing) -> None:
    lowest, highest = at.numbers
    if above.ids.node_bits is None and below.ids.node_bits is None:
        what = (
            f"identifier range {above.name} begins at {above.ids.base + lowest:#x}, and range {below.name} goes on to "
            f"{below.ids.base + highest:#x}"
        )
        help = "Move the bases apart, or put both kinds of frame on one range."
    else:
        what = f"an identifier can belong to range {above.name} and to range {below.name}"
        help = "Give them a constant in which they differ, at bits that both have constant, or put both on one range."
    reader.error("identifiers-overlap", what, above.span, help, Mark(below.span, f"range {below.name}"))
