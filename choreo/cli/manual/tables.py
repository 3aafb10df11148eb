"""Identifiers and payloads as rows of a table: where, which bits, what field."""

from collections.abc import Callable, Iterator, Mapping

from choreo.frame import Frame
from choreo.report.table import Column
from choreo.wire.described.asking.places import PlacedPart, form_of
from choreo.wire.described.frames.codec import Shape
from choreo.wire.described.frames.fields import ROLLING, Bits, Checksum, Constant, Ignored, Part, Rolling, Shortest
from choreo.wire.described.frames.identifiers import Addressing

#: A frame's columns; those of a form without a frame are the first, third and last.
COLUMNS = (
    Column("where", right=False),
    Column("is", right=False),
    Column("field", right=False),
    Column("value"),
    Column("means", right=False, shrinks=20),
)
Row = tuple[str, str, str, str, str]
#: What a value means: field, all values.
Say = Callable[[str, Mapping[str, int]], str]


def identifier_rows(shape: Shape, at: Addressing, frame: Frame) -> Iterator[Row]:
    """The identifier of a frame of this shape, taken apart."""
    number = shape.ids.number(frame.id) or 0
    node = "all nodes" if number == at.broadcast else f"node {number}"
    if not shape.ids.fields:
        where = f"id bits {at.bits - 1}-0"
        yield where, at.text(frame.id), "identifier", str(number), f"0x{at.text(shape.base)} + {node}"
        return
    top = at.bits
    for field in shape.ids.fields:
        top -= field.bits
        raw = frame.id >> top & ((1 << field.bits) - 1)
        where = f"id bit {top}" if field.bits == 1 else f"id bits {top + field.bits - 1}-{top}"
        if field.kind == "node":
            yield where, f"{raw:0{field.bits}b}", "node", str(raw), node
        elif field.kind == "constant":
            yield where, f"{raw:0{field.bits}b}", "constant", f"0x{raw:X}", ""
        else:
            yield where, f"{raw:0{field.bits}b}", "not used", "", ""


def data_rows(shape: Shape, frame: Frame, values: Mapping[str, int], say: Say) -> Iterator[Row]:
    """The data of a frame of this shape, part by part."""
    form = form_of(shape.layout, len(frame.data)) or ()
    for part, place in form:
        shown = place.shown(frame.data)
        if isinstance(part, Checksum):
            checked = shape.checksum(frame)
            got = frame.data[place.start // 8 : (place.start + place.width) // 8]
            verdict = "right" if checked == got else f"wrong: {(checked or b'').hex(' ').upper()} would be right"
            yield place.text, shown, "checksum", "", f"{verdict}; {kind_text(part)}"
        elif isinstance(part, Constant):
            yield place.text, shown, "constant", f"0x{part.value:X}", ""
        elif isinstance(part, Ignored):
            yield place.text, shown, "not used", "", ""
        elif isinstance(part, Bits):
            yield from _bit_rows(part, PlacedPart(part, place), frame, values, say)
        else:
            (slot,) = part.slots(place.width)
            special = shape.layout.special.get(slot.name, {}).get(values[slot.name], "")
            yield place.text, shown, slot.name, str(values[slot.name]), special or say(slot.name, values)


def _bit_rows(part: Bits, placed: PlacedPart, frame: Frame, values: Mapping[str, int], say: Say) -> Iterator[Row]:
    for slot in part.slots(placed.place.width):
        place = placed.place.within(slot.at, 1)
        inverse = "; 1 is its opposite" if slot.inverted else ""
        yield place.text, place.shown(frame.data), slot.name, str(values[slot.name]), say(slot.name, values) + inverse


def form_rows(form: tuple[PlacedPart, ...]) -> Iterator[tuple[str, str, str]]:
    """A form without a frame: where, field, what it is."""
    for part, place in form:
        if isinstance(part, Bits):
            for slot in part.slots(place.width):
                yield (
                    place.within(slot.at, 1).text,
                    slot.name,
                    "a bit, the other way round" if slot.inverted else "a bit",
                )
        elif isinstance(part, Constant):
            yield place.text, "constant", part_value(part)
        elif isinstance(part, Ignored):
            yield place.text, "not used", ""
        elif isinstance(part, Checksum):
            yield place.text, "checksum", part.name or kind_text(part)
        else:
            (name,) = part.ranges
            yield place.text, name, kind_text(part, place.width)


def part_value(part: Constant) -> str:
    """`0x11`, and in binary where it is no whole number of figures."""
    return f"0x{part.value:X}" if part.bits % 4 == 0 else f"0x{part.value:X}, {part.value:0{part.bits}b} binary"


def kind_text(part: Part, width: int = 0) -> str:
    """`signed 24, -8388608 to 8388607`, `CRC 8 of 0x1d over identifier, payload`."""
    if isinstance(part, Checksum):
        return f"{part.name}, {part.method.text}" if part.name else covering(part, part.method.text)
    if isinstance(part, Rolling):
        return f"goes up with each frame, {part.bits} bits; a reply repeats it" if part.echoed else f"{part.bits} bits"
    if isinstance(part, Shortest):
        return f"{part.word} {width}, where it is the shortest that holds the value"
    (slot,) = part.slots(width or part.widths[-1])
    spans = ", ".join(str(low) if low == high else f"{low} to {high}" for low, high in slot.allowed)
    order = f", {part.order}-endian" if part.order else ""
    text = f"{slot.kind.word} {slot.kind.bits}{order}, {spans}"
    special = getattr(part, "special", {})
    return text + "".join(f"; {value} means {says}" for value, says in special.items())


def covering(part: Checksum, method: str) -> str:
    """A method in words, and what it covers."""
    order = f", {part.order}-endian" if part.order else ""
    return f"{method} over {', '.join(part.over)}{order}"


def fields_of(shape: Shape) -> list[str]:
    """The fields that somebody who composes the frame gives."""
    return [name for name in shape.layout.ranges if name != ROLLING]
