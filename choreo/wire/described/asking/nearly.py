"""What a frame that is none of a dialect's nearly is: which of its frames, and by what it misses it."""

from collections.abc import Iterator
from typing import NamedTuple

from choreo.frame import Frame
from choreo.wire.described.asking.places import PlacedPart, forms
from choreo.wire.described.dialect import DescribedDialect
from choreo.wire.described.frames.codec import Role, Shape
from choreo.wire.described.frames.fields import Checksum, Constant

#: How grave each kind of miss is. A frame that misses more than `_NEAR` is not nearly one.
_SELECTOR, _IDENTIFIER, _CONSTANT, _LENGTH, _ADDRESS, _VALUE, _CHECKSUM = 6, 4, 2, 2, 2, 1, 1
_NEAR = 5
#: So many are told of.
_MOST = 3


class Miss(NamedTuple):
    """What the frame nearly is, by what it is not, and how far it is from it."""

    shape: Shape
    text: str
    distance: int


def called(shape: Shape) -> str:
    """`the request echo`, `the reply to echo`, `the event boot`, `the error reply`."""
    if shape.role is Role.ERROR:
        return "the error reply"
    words = {Role.REQUEST: "the request", Role.REPLY: "the reply to", Role.EVENT: "the event"}
    return f"{words[shape.role]} {shape.message}"


def near_misses(dialect: DescribedDialect, frame: Frame, only: Shape | None = None) -> list[Miss]:
    """
    What a frame that the dialect does not take nearly is, the nearest first, at most three. With `only`, by what it
    misses that one, however far it is.
    """
    bits = dialect.frames.addressing.bits
    if frame.remote or frame.extended is not dialect.extended:
        what = "it is a remote frame, and the dialect has none" if frame.remote else _format(frame, bits)
        shape = only or next(iter(dialect.frames.requests.values()))
        return [Miss(shape, what, _IDENTIFIER)]
    found: list[Miss] = []
    others: list[Miss] = []
    for shape in (only,) if only is not None else dialect.frames.all():
        elsewhere = list(_address(dialect, shape, frame))
        wrong = elsewhere + min(_payloads(shape, frame), key=_distance)
        if wrong:
            miss = Miss(shape, f"nearly {called(shape)}: " + "; ".join(text for text, _ in wrong), _distance(wrong))
            near = only is not None or miss.distance <= _NEAR
            if near:
                found.append(miss)
            elif miss.distance == _SELECTOR and not elsewhere:
                others.append(miss)
    if not found and len(others) == 1:  # the only frame of this length there
        return others
    return sorted(found, key=lambda miss: miss.distance)[:_MOST]


def whereabouts(dialect: DescribedDialect, frame: Frame) -> str:
    """Whose identifier a frame has that is nearly nothing of the dialect's, in a sentence."""
    at = dialect.frames.addressing
    here = [shape for shape in dialect.frames.all() if not list(_address(dialect, shape, frame))]
    if not here:
        return f"identifier {at.text(frame.id)} is none of the dialect's"
    number = here[0].ids.number(frame.id)
    whose = "all nodes" if number == at.broadcast else f"node {number}"
    names = ", ".join(dict.fromkeys(called(shape).removeprefix("the ") for shape in here))
    return f"identifier {at.text(frame.id)} is that of {whose} for {names}; its data are none of theirs"


_Wrong = list[tuple[str, int]]


def _distance(wrong: _Wrong) -> int:
    return sum(weight for _, weight in wrong)


def _format(frame: Frame, bits: int) -> str:
    return f"its identifier has {29 if frame.extended else 11} bits, and the dialect's have {bits}"


def _address(dialect: DescribedDialect, shape: Shape, frame: Frame) -> Iterator[tuple[str, int]]:
    """What is wrong with the identifier for this shape."""
    at = dialect.frames.addressing
    number = shape.ids.number(frame.id)
    if number is None or number - at.numbers[1] > at.numbers[1]:
        yield f"identifier {at.text(frame.id)} is none of its identifiers ({id_text(shape, dialect)})", _IDENTIFIER
    elif not at.lawful(number):
        yield (
            f"identifier {at.text(frame.id)} would be node {number}, and nodes are {at.first} to {at.last}",
            _ADDRESS,
        )
    elif number == at.broadcast and shape.broadcast == "never":
        yield "it goes to all nodes, and that frame never does", _ADDRESS
    elif number != at.broadcast and shape.broadcast == "only":
        yield f"it goes to node {number} alone, and that frame goes to all", _ADDRESS


def id_text(shape: Shape, dialect: DescribedDialect) -> str:
    """The identifiers of a shape: `14B` for one, `141 to 15F`, or those of the first and the last node."""
    at = dialect.frames.addressing
    if shape.broadcast == "only":
        return at.text(shape.identifier(at.broadcast or 0))
    return f"{at.text(shape.identifier(at.first))} to {at.text(shape.identifier(at.last))}"


def _payloads(shape: Shape, frame: Frame) -> Iterator[_Wrong]:
    for form in forms(shape.layout):
        yield list(_payload(shape, form, frame))


def _payload(shape: Shape, form: tuple[PlacedPart, ...], frame: Frame) -> Iterator[tuple[str, int]]:
    """What is wrong with the data for one length of a shape."""
    size, has = (form[0].place.size if form else 0), len(frame.data)
    if size != has:
        told = any(isinstance(part, Constant) and place.start // 8 < has for part, place in form)
        weight = _LENGTH if told or not size else _SELECTOR  # too short to say which frame it was meant to be
        yield f"it has {has} data {'byte' if has == 1 else 'bytes'}, and that frame has {size}", weight
    data = frame.data[:size].ljust(size, b"\0")
    first = True
    for part, place in form:
        if place.start // 8 >= has:  # bytes that are not there
            break
        if isinstance(part, Constant):
            raw = place.raw(data)
            if raw != part.value:
                got, wants = _number(raw, place.width), _number(part.value, place.width)
                yield f"{place.text} is {got}, and that frame has {wants}", _SELECTOR if first else _CONSTANT
            first = False
        elif size == has and isinstance(part, Checksum):
            wanted = shape.checksum(frame)
            sent = data[place.start // 8 : (place.start + place.width) // 8]
            if wanted is not None and sent != wanted:
                yield (
                    f"its checksum is {sent.hex(' ').upper()}, and {wanted.hex(' ').upper()} would be right",
                    _CHECKSUM,
                )
        elif size == has:
            for slot in part.slots(place.width):
                value = slot.kind.from_wire(place.within(slot.at, slot.kind.bits).raw(data))
                if value is None or not any(low <= value <= high for low, high in slot.allowed):
                    shown = place.within(slot.at, slot.kind.bits).shown(data)
                    says = f"no {slot.kind.word} number" if value is None else f"{value}, which it never is"
                    yield f"its field {slot.name} is {shown}: {says}", _VALUE


def _number(value: int, width: int) -> str:
    return f"{value:0{width // 4}X}" if width % 4 == 0 else f"{value:0{width}b}"
