"""Payloads, as a dialect file writes them: lists of parts that must fill whole bytes."""

from collections.abc import Mapping, Sequence
from typing import NamedTuple

from choreo.diagnostic import Mark, Span
from choreo.text.tree import Tree
from choreo.wire.described.frames.fields import MOST_BYTES, ROLLING, Bits, ByteOrder, Checksum, Number, Part, Shortest
from choreo.wire.described.frames.kinds import Linear
from choreo.wire.described.frames.layout import Layout, combinations
from choreo.wire.described.reading.reader import Reader
from choreo.wire.described.reading.speech.parts import read_part
from choreo.wire.described.reading.speech.placed import Context

_MOST_BITS = 8 * MOST_BYTES


class Payload(NamedTuple):
    """A payload and where each of its fields stands. With several lengths, the first place of a field."""

    layout: Layout
    span: Span
    fields: Mapping[str, Span]
    in_all: frozenset[str]  # fields that every one of its lengths has


class _Alternative(NamedTuple):
    parts: tuple[Part, ...]
    span: Span
    fields: Mapping[str, Span]


def read_payload(context: Context, tree: Tree | None, what: str) -> Payload | None:
    """A list of parts, from byte 0 on."""
    found = _read_alternative(context, tree, what)
    return None if found is None else _payload([found], context.order)


def read_payloads(context: Context, tree: Tree | None, what: str) -> Payload | None:
    """A list of such lists, told apart by their lengths."""
    reader = context.reader
    items = reader.items(tree, f"the payloads of {what}")
    if items is None or tree is None:
        return None
    if not items:
        help = "Write one list of parts for each length that the drive answers with."
        reader.error("part", f"{what} has no payload at all", tree.span, help)
        return None
    read = [_read_alternative(context, item, what) for item in items]
    found = [alternative for alternative in read if alternative is not None]
    if len(found) < len(read) or not _lengths_differ(reader, found, what):
        return None
    return _payload(found, context.order)


def _payload(found: Sequence[_Alternative], order: ByteOrder) -> Payload:
    fields = {name: span for alternative in reversed(found) for name, span in alternative.fields.items()}
    in_all = frozenset(fields).intersection(*(alternative.fields for alternative in found))
    layout = Layout(found[0].parts, order, *(alternative.parts for alternative in found[1:]))
    ordered = {name: fields[name] for name in layout.ranges}
    return Payload(layout, found[0].span, ordered, in_all)


def _lengths_differ(reader: Reader, found: Sequence[_Alternative], what: str) -> bool:
    known: dict[int, Span] = {}
    for alternative in found:
        for widths in combinations(alternative.parts):
            size = sum(widths) // 8
            if size in known:
                reader.error(
                    "payload-lengths",
                    f"two payloads of {what} can have {size} bytes, and they are told apart by their lengths",
                    alternative.span,
                    "Describe them as one payload, or give the drive's true lengths.",
                    Mark(known[size], f"{size} bytes too"),
                )
                return False
            known[size] = alternative.span
    return True


def _read_alternative(context: Context, tree: Tree | None, what: str) -> _Alternative | None:
    reader = context.reader
    items = reader.items(tree, f"the payload of {what}")
    if items is None or tree is None:
        return None
    before, unreadable = len(reader.findings), False
    parts: list[Part] = []
    spans: list[Span] = []
    fields: dict[str, Span] = {}
    for item in items:
        part = read_part(reader, item, what, context.checksums)
        if part is None:  # noted here, or where a checksum is defined
            unreadable = True
            continue
        parts.append(part)
        spans.append(item.span)
        for name in part.ranges:
            if name in fields:
                first = Mark(fields[name], "the first one")
                reader.error("duplicate", f"{what} has two fields `{name}`", item.span, "Rename one.", first)
            fields[name] = item.span
    if unreadable or len(reader.findings) > before:
        return None
    fitted = _fit(reader, parts, tree.span, what)
    if fitted is None or not _check_places(reader, fitted, spans, what, context.order):
        return None
    if not _check_checksum(context, fitted, spans, what):
        return None
    return _Alternative(tuple(fitted), tree.span, fields)


def _fit(reader: Reader, parts: list[Part], span: Span, what: str) -> list[Part] | None:
    """The parts, with those widths of a shortest form that fit a frame; None, noted, where they do not fit."""
    shortest = [part for part in parts if isinstance(part, Shortest)]
    if len(shortest) > 1:
        help = "At most one field of a payload can be of the shortest form: its length is told by the frame's."
        reader.error("part", f"{what} has {len(shortest)} fields of the shortest form", span, help)
        return None
    least = sum(part.widths[0] for part in parts)
    if least > _MOST_BITS:
        size = -(-least // 8)
        reader.error(
            "payload-too-long",
            f"the payload of {what} has {size} bytes, and a CAN frame carries at most {MOST_BYTES}",
            span,
            "Shorten it; a command over several frames is described with `frames:`.",
        )
        return None
    if least % 8:
        help = "Bits without meaning are {ignored: 4}; a constant or a field has as many bits as the manual gives it."
        reader.error("payload-bits", f"the payload of {what} has {least} bits, which are no whole bytes", span, help)
        return None
    room = _MOST_BITS - sum(part.widths[0] for part in parts if not isinstance(part, Shortest))
    fitted = [_narrowed(reader, part, room, span, what) if isinstance(part, Shortest) else part for part in parts]
    found = [part for part in fitted if part is not None]
    return found if len(found) == len(fitted) else None


def _narrowed(reader: Reader, part: Shortest, room: int, span: Span, what: str) -> Shortest | None:
    """The widths that fit a frame: of all that there are, or all that the file names."""
    widths = tuple(width for width in part.widths if width <= room)
    if widths != part.widths and len(part.widths) < MOST_BYTES:
        headline = f"the payload of {what} has {(_MOST_BITS - room + part.widths[-1]) // 8} bytes in its longest form, "
        help = f"Take out the widths of `{part.name}` above {room} bits."
        reader.error("payload-too-long", f"{headline}and a CAN frame carries at most {MOST_BYTES}", span, help)
        return None
    low, high = Linear(part.word, widths[-1]).bounds
    for end in (part.low, part.high):
        if end is not None and not low <= end <= high:
            headline = f"field {part.name} of {what} can be {end}, and holds {low} to {high} in the {room} bits left"
            reader.error("field-too-narrow", headline, span, "Narrow its range, or shorten the rest of the payload.")
            return None
    return Shortest(part.name, part.word, widths, part.order, part.low, part.high, part.special)


def _check_places(reader: Reader, parts: Sequence[Part], spans: Sequence[Span], what: str, order: ByteOrder) -> bool:
    """A byte order of its own, and a checksum, need whole bytes on a byte boundary."""
    start, fine = 0, True
    for part, span in zip(parts, spans, strict=True):
        width = part.widths[0]
        if (part.order is not None or isinstance(part, Checksum)) and (start % 8 or width % 8):
            called = "the checksum" if isinstance(part, Checksum) else f"the part with the order {part.order}"
            help = f"It begins at bit {start} and has {width}: both must be multiples of 8."
            reader.error("part", f"{called} of {what} is not of whole bytes on a byte boundary", span, help)
            fine = False
        start += width
    return fine


def _check_checksum(context: Context, parts: Sequence[Part], spans: Sequence[Span], what: str) -> bool:
    """At most one; what it covers exists, in whole bytes."""
    reader, at = context.reader, context.addressing
    sums = [(part, span) for part, span in zip(parts, spans, strict=True) if isinstance(part, Checksum)]
    if len(sums) > 1:
        first = Mark(sums[0][1], "the first one")
        reader.error("checksum", f"{what} has {len(sums)} checksums", sums[1][1], "At most one is possible.", first)
        return False
    counters = [span for part, span in zip(parts, spans, strict=True) if ROLLING in part.ranges]
    if len(counters) > 1:
        reader.error("duplicate", f"{what} has two rolling counters", counters[1], "At most one is possible.")
        return False
    whole = _whole_byte_fields(parts)
    for part, span in sums:
        defined = context.checksums.marks(part)
        for word in part.over:
            if word not in ("identifier", "node", "payload") and word not in whole:
                known = ", ".join(("identifier", "node", "payload", *whole))
                headline = f"the checksum of {what} covers `{word}`, which is no field of whole bytes in it"
                reader.error("checksum", headline, span, f"It can cover {known}.", *defined)
                return False
        if "node" in part.over and at is not None and at.numbers[1] > 255:
            help = "Cover the identifier instead, if the drive does."
            headline = f"the checksum of {what} covers the node, and number {at.numbers[1]} is more than a byte"
            reader.error("checksum", headline, span, help, *defined)
            return False
    return True


def _whole_byte_fields(parts: Sequence[Part]) -> list[str]:
    start, found = 0, []
    for part in parts:
        if not isinstance(part, Bits) and not start % 8 and not part.widths[0] % 8:
            found += [part.name] if isinstance(part, Number | Shortest) else []
        start += part.widths[0]
    return found
