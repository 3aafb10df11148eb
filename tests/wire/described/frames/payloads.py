"""Strategies for payloads with parts of every kind, shapes, and whole sets of shapes of dialects."""

from fractions import Fraction

from hypothesis import strategies as st

from choreo.wire.described.frames.checksums import Crc, Sum, Xor
from choreo.wire.described.frames.codec import Role, Shape
from choreo.wire.described.frames.fields import Bits, Checksum, Constant, Ignored, Number, Rolling, Shortest
from choreo.wire.described.frames.identifiers import Addressing, IdField, IdRange
from choreo.wire.described.frames.kinds import LINEAR, kind_of
from choreo.wire.described.frames.layout import Layout
from choreo.wire.words import FrameClass

NAMES = [f"field_{letter}" for letter in "abcdefghijklmnop"]
ORDERS = st.sampled_from(["little", "big"])
STEPS = st.sampled_from([Fraction(1), Fraction(1, 1024), Fraction(1, 1000), Fraction(3), Fraction(7, 3)])


@st.composite
def kinds(draw, bits):
    """A number of so many bits, of any kind that has this width."""
    words = list(LINEAR)
    words += ["sign_magnitude"] if bits >= 2 else []
    words += ["bcd"] if bits % 4 == 0 else []
    words += ["signed_bcd"] if bits % 4 == 0 and bits >= 8 else []
    words += ["float"] if bits in (32, 64) else []
    return kind_of(draw(st.sampled_from(words)), bits, draw(STEPS))


@st.composite
def numbers(draw, name, bits, start):
    """A field, perhaps with a narrower range, special values, or a byte order of its own."""
    kind = draw(kinds(bits))
    low = high = None
    special = {}
    if draw(st.integers(0, 3)) == 0:
        low = draw(st.integers(*kind.bounds))
        high = draw(st.integers(low, kind.bounds[1]))
    if draw(st.integers(0, 3)) == 0:
        special = dict.fromkeys(draw(st.lists(st.integers(*kind.bounds), max_size=2)), "something else")
    order = draw(ORDERS) if start % 8 == 0 and bits % 8 == 0 and draw(st.booleans()) else None
    return Number(name, kind, order, low, high, special)


@st.composite
def shortest(draw, name, room):
    """A field of the shortest form, in at most so many bits."""
    widths = draw(st.lists(st.sampled_from(range(8, room + 1, 8)), min_size=1, unique=True))
    return Shortest(name, draw(st.sampled_from(["unsigned", "signed"])), tuple(sorted(widths)))


METHODS = st.one_of(
    st.sampled_from([Sum(8), Sum(16), Xor(), Crc(8, 0x1D, 0xFF, False, 0xFF)]),
    st.builds(
        Crc, st.sampled_from([8, 16]), st.integers(1, 255), st.integers(0, 255), st.booleans(), st.integers(0, 255)
    ),
)


@st.composite
def layouts(draw, exactly=None, heading=True):
    """A payload of up to eight bytes, or of just so many, with any parts."""
    fresh = (f"{name}{i}" for i in range(5) for name in NAMES)
    parts = []
    room = 8 * (draw(st.integers(0, 8)) if exactly is None else exactly)
    start, ignored, kinds_left = 0, ["ignored"], {"rolling", "checksum"} | ({"shortest"} if exactly is None else set())
    while room:
        choices = ["constant", "number", "number", "number", "bits", *ignored]
        choices += ["rolling"] if "rolling" in kinds_left else []
        choices += ["checksum"] if "checksum" in kinds_left and room >= 8 and start % 8 == 0 else []
        choices += ["shortest"] if "shortest" in kinds_left and room >= 8 and (room - start) % 8 == 0 else []
        kind = draw(st.sampled_from(choices))
        kinds_left.discard(kind)
        whole = [bits for bits in (8, 16, 24, 32, 64) if bits <= room]
        width = draw(st.one_of(st.integers(1, room), st.sampled_from(whole or [room])))
        if kind == "constant":
            width = min(width, 16)
            part = Constant(draw(st.integers(0, (1 << width) - 1)), width)
        elif kind == "bits":
            width = min(width, 12)
            names = [next(fresh) for _ in range(width)]
            how = draw(st.lists(st.sampled_from(["", "not_", None]), min_size=width, max_size=width))
            part = Bits(tuple(None if way is None else way + name for way, name in zip(how, names, strict=True)))
        elif kind == "ignored":
            part = Ignored(width)
        elif kind == "rolling":
            part = Rolling(min(width, 8))
        elif kind == "shortest":
            part = draw(shortest(next(fresh), room - room % 8))
        elif kind == "checksum":
            method = draw(METHODS)
            method = method if method.bits <= room else Xor()
            over = draw(
                st.lists(st.sampled_from(["payload", *(["identifier", "node"] if heading else [])]), min_size=1)
            )
            part = Checksum(method, tuple(over), draw(st.one_of(st.none(), ORDERS)))
        else:
            part = draw(numbers(next(fresh), width, start))
        parts.append(part)
        start += part.widths[-1]
        room -= part.widths[-1]
    return Layout(parts, draw(ORDERS))


@st.composite
def values_for(draw, layout):
    """Values for all fields of one of the forms of a payload: any that it may carry, ends more often."""
    form = draw(st.sampled_from([form for form in layout.forms.values() if can_hold(form)] or [None]))
    if form is None:
        return None
    return {name: draw(lawful(spans)) for name, spans in form.lawful.items()}


def can_hold(form):
    """Whether every field of a form has some lawful value."""
    return all(form.lawful.values())


def lawful(spans):
    """A value in one of the spans."""
    return st.one_of([st.one_of(st.sampled_from(span), st.integers(*span)) for span in spans])


@st.composite
def addressings(draw):
    """Any numbering of nodes, with or without a broadcast number."""
    bits = draw(st.sampled_from([11, 29]))
    first = draw(st.integers(0, 60))
    last = draw(st.integers(first, first + 60))
    outside = st.integers(0, 127).filter(lambda number: not first <= number <= last)
    return Addressing(bits, first, last, draw(st.one_of(st.none(), outside)))


@st.composite
def id_ranges(draw, addressing):
    """A base, or bit fields of which one is the node's."""
    highest = addressing.numbers[1]
    if draw(st.booleans()):
        return IdRange(draw(st.integers(0, (1 << addressing.bits) - 1 - highest)))
    node = draw(st.integers(max(1, highest.bit_length()), 8))
    left = addressing.bits - node
    fields = []
    while left:
        bits = draw(st.integers(1, left))
        if draw(st.booleans()):
            fields.append(IdField("constant", bits, draw(st.integers(0, (1 << bits) - 1))))
        else:
            fields.append(IdField("ignored", bits))
        left -= bits
    fields.insert(draw(st.integers(0, len(fields))), IdField("node", node))
    return IdRange.of_fields(*fields)


@st.composite
def shape_sets(draw):
    """An addressing, and shapes on a few ranges of identifiers of which no two can be confused."""
    addressing = draw(addressings())
    ranges = []
    for found in draw(st.lists(id_ranges(addressing), min_size=1, max_size=4)):
        if not any(found.could_share(other, addressing) for other in ranges):
            ranges.append(found)
    shapes = []
    for index, layout in enumerate(draw(st.lists(layouts(), min_size=1, max_size=10))):
        ids = draw(st.sampled_from(ranges))
        if any(shape.ids == ids and shape.layout.could_be(layout) is not None for shape in shapes):
            continue
        kinds = ["never"] if addressing.broadcast is None else ["never", "allowed", "only"]
        role = draw(st.sampled_from(list(Role)))
        broadcast = draw(st.sampled_from(kinds)) if role is Role.REQUEST else "never"
        shapes.append(Shape(f"message_{index}", role, FrameClass.NEUTRAL, ids, layout, broadcast))
    return addressing, shapes
