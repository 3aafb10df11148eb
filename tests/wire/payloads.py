"""Strategies for payloads, shapes and whole sets of shapes of dialects."""

from hypothesis import strategies as st

from choreo.wire.described.codec import Addressing, Role, Shape
from choreo.wire.described.fields import Bits, Constant, Ignored, Layout, Number
from choreo.wire.words import FrameClass

NAMES = [f"field_{letter}" for letter in "abcdefghijklmnop"]


@st.composite
def layouts(draw, exactly=None):
    """A payload of up to eight bytes, or of just so many, with any parts."""
    fresh = (f"{name}{i}" for i in range(5) for name in NAMES)
    parts = []
    room = draw(st.integers(0, 8)) if exactly is None else exactly
    while room:
        kind = draw(st.sampled_from(["constant", "number", "number", "bits", "ignored"]))
        if kind == "constant":
            part = Constant(draw(st.integers(0, 255)))
        elif kind == "bits":
            part = Bits(tuple(next(fresh) if draw(st.booleans()) else None for _ in range(8)))
        elif kind == "ignored":
            part = Ignored(draw(st.integers(1, room)))
        else:
            size = draw(st.integers(1, room))
            part = Number(next(fresh), 8 * size, draw(st.booleans()), draw(st.sampled_from(["little", "big"])))
        parts.append(part)
        room -= part.size
    return Layout(parts)


@st.composite
def data_that_fits(draw, layout):
    """Any data of a payload: its constants, the rest at random."""
    random = draw(st.binary(min_size=layout.size, max_size=layout.size))
    return bytes(byte if fixed is None else fixed for fixed, byte in zip(layout.fixed, random, strict=True))


def values_for(layout):
    """Values for all fields of a payload."""
    return st.fixed_dictionaries({name: st.integers(*bounds) for name, bounds in layout.ranges.items()})


@st.composite
def addressings(draw):
    """Any numbering of nodes, with or without a broadcast number."""
    bits = draw(st.sampled_from([11, 29]))
    first = draw(st.integers(0, 60))
    last = draw(st.integers(first, first + 60))
    outside = st.integers(0, 127).filter(lambda number: not first <= number <= last)
    return Addressing(bits, first, last, draw(st.one_of(st.none(), outside)))


@st.composite
def shape_sets(draw):
    """An addressing, and shapes on a few ranges of identifiers of which no two can be confused."""
    addressing = draw(addressings())
    bases = draw(st.lists(st.integers(0, 14), min_size=1, max_size=4, unique=True))
    shapes = []
    for index, layout in enumerate(draw(st.lists(layouts(), min_size=1, max_size=12))):
        base = draw(st.sampled_from(bases)) * 128
        if any(shape.base == base and shape.layout.could_be(layout) for shape in shapes):
            continue
        kinds = ["never"] if addressing.broadcast is None else ["never", "allowed", "only"]
        role = draw(st.sampled_from(list(Role)))
        broadcast = draw(st.sampled_from(kinds)) if role is Role.REQUEST else "never"
        shapes.append(Shape(f"message_{index}", role, FrameClass.NEUTRAL, base, layout, broadcast))
    return addressing, shapes
