"""A worked frame for each form of a dialect: sensible values, so that what is shown can be held against the manual."""

from collections.abc import Iterator, Mapping
from fractions import Fraction

from choreo.frame import Frame
from choreo.wire.described.asking.places import PlacedPart
from choreo.wire.described.dialect import DescribedDialect
from choreo.wire.described.frames.codec import Role, Shape, heading_of
from choreo.wire.described.frames.fields import ROLLING
from choreo.wire.dialect import Scale
from choreo.wire.words import Setting

#: What a field is given where it can hold it. A negative number shows the sign, an odd one the byte order.
_USUAL: Mapping[str, int] = {"count": 42, "position": 4096, "target": -100_000, "edge": -1350, "output": 1, ROLLING: 1}
#: Bits that are set in a worked status.
_SET = ("enabled", "homed", "in_position", "captured", "on", "home_switch", "input_1")


def sample_node(dialect: DescribedDialect, shape: Shape) -> int | None:
    """Node 11 where there is one, the last otherwise; all nodes for what is broadcast only."""
    first, last = dialect.node_range
    return None if shape.broadcast == "only" else 11 if first <= 11 <= last else last


def worked_frame(dialect: DescribedDialect, shape: Shape, form: tuple[PlacedPart, ...]) -> Frame | None:
    """A frame of this form; None where no value takes it."""
    node = sample_node(dialect, shape)
    number = dialect.frames.addressing.broadcast or 0 if node is None else node
    frame = Frame(shape.identifier(number), b"", dialect.extended)
    its = shape.layout.forms[form[0].place.size if form else 0]
    for values in _tries(dialect, shape, form):
        data = its.encode(values, heading_of(frame, number))
        if data is not None:
            return frame._replace(data=data)
    return None


def _tries(dialect: DescribedDialect, shape: Shape, form: tuple[PlacedPart, ...]) -> Iterator[dict[str, int]]:
    """The values, with each setting that could be meant; at the end those nearest to what has this length."""
    slots = {slot.name: slot.allowed for part, place in form for slot in part.slots(place.width)}
    for setting in dialect.settings if "value" in slots else ():
        values = {name: _clipped(_value(dialect, shape, name, setting), allowed) for name, allowed in slots.items()}
        yield {**values, "value": middle(dialect.settings[setting])}
    values = {name: _clipped(_value(dialect, shape, name, None), allowed) for name, allowed in slots.items()}
    if "value" in slots:
        number = next((setting.number for setting in dialect.scale_settings.values()), None)
        if number is not None and "number" in slots:
            values["number"] = number
    yield values


def _clipped(value: int, allowed: tuple[tuple[int, int], ...]) -> int:
    """The lawful value that is nearest."""
    if any(low <= value <= high for low, high in allowed) or not allowed:
        return value
    return min((end for span in allowed for end in span), key=lambda end: abs(end - value))


def _value(dialect: DescribedDialect, shape: Shape, name: str, setting: Setting | None) -> int:
    if name == "number":
        return dialect.numbers[setting] if setting is not None else next(iter(dialect.numbers.values()))
    if name == "speed":
        return middle(dialect.move_speed)
    if name == "refused":
        asked = dialect.frames.requests[dialect.frames.parts("preload")[0]]
        return asked.layout.selector or 0
    if name == "error":
        return next(iter(dialect.errors), 1)
    if name == "fault":
        return next(iter(dialect.faults), 1) if shape.role is Role.EVENT else 0
    if name == "state":
        return max(dialect.states, key=lambda code: len(dialect.states[code]), default=0)
    return _USUAL.get(name, int(name in _SET))


def middle(scale: Scale) -> int:
    """A raw value in the middle of a scale that means nothing special."""
    if scale.special is None and scale.minimum == scale.maximum:
        return scale.minimum
    part = 2 if scale.maximum - scale.minimum < 10_000 else 50  # a speed that a machine has, rather than the highest
    found = scale.at_most(scale.floor + (scale.ceiling - scale.floor) / part)
    return scale.slowest if found is None else found


def rounding_example(scale: Scale) -> tuple[Fraction, int] | None:
    """What might be asked for, between two raw values, and what choreo makes of it; None where there is one alone."""
    below = middle(scale)
    meant = scale.from_raw(below)
    for other in (below + 1, below - 1):
        try:
            above = scale.from_raw(other)
            if above > meant:
                asked = _short(meant, above)
                return asked, scale.to_raw(asked)
        except ValueError:
            continue
    return None


def _short(low: Fraction, high: Fraction) -> Fraction:
    """A value in between with as few figures as can be."""
    between = (2 * low + 3 * high) / 5
    rounded = (Fraction(f"{float(between):.{figures}g}") for figures in range(3, 15))
    return next((value for value in rounded if low < value < high), between)
