"""Frames of any dialect: what is put together is taken apart again, and nothing else is taken for it."""

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from choreo.frame import Frame
from choreo.wire.described.frames.checksums import Sum
from choreo.wire.described.frames.codec import Codec, Role, Rolling, Shape
from choreo.wire.described.frames.fields import Bits, Checksum, Constant, Ignored, Number, Shortest
from choreo.wire.described.frames.forms import Heading
from choreo.wire.described.frames.identifiers import Addressing, IdField, IdRange
from choreo.wire.described.frames.kinds import Bcd, Linear
from choreo.wire.described.frames.layout import Layout
from choreo.wire.described.frames.quick import number_reader
from choreo.wire.words import FrameClass
from wire.described.frames.payloads import layouts, shape_sets, values_for

frames = st.builds(
    Frame,
    id=st.one_of(st.integers(0, 0x7FF), st.integers(0, (1 << 29) - 1)),
    data=st.binary(max_size=8),
    extended=st.booleans(),
    remote=st.booleans(),
    t_ns=st.integers(0, 10**12),
)


def node_for(draw, addressing, shape):
    nodes = [] if shape.broadcast == "only" else [st.integers(addressing.first, addressing.last)]
    if shape.broadcast != "never":
        nodes.append(st.none())
    return draw(st.one_of(nodes))


@given(st.data(), shape_sets())
def test_a_frame_is_found_to_be_what_it_was_made_as(data, made):
    addressing, shapes = made
    codec = Codec(addressing, shapes)
    for shape in shapes:
        node = node_for(data.draw, addressing, shape)
        values = data.draw(values_for(shape.layout))
        if values is None:
            continue
        frame = codec.encode(shape, node, values)
        assert frame.extended == (addressing.bits == 29)
        assert codec.find(frame) == (shape, node, values)
        assert shape.fits(frame)
        assert shape.values(frame) == values
        assert shape.alike(frame, frame._replace(t_ns=9))


@settings(deadline=None)
@given(st.data(), shape_sets(), frames)
def test_whatever_is_found_in_a_frame_encodes_to_one_that_says_the_same(data, made, frame):
    addressing, shapes = made
    codec = Codec(addressing, shapes)
    aim = data.draw(st.sampled_from([None, "identifier", "frame"]))  # random frames rarely hit
    if aim is not None:
        shape = data.draw(st.sampled_from(shapes))
        number = data.draw(st.integers(0, 128))
        frame = frame._replace(
            id=shape.identifier(number) & ((1 << addressing.bits) - 1), extended=addressing.bits == 29, remote=False
        )
        values = data.draw(values_for(shape.layout))
        if aim == "frame" and values is not None:
            coded = shape.layout.encode(values, Heading(frame.id.to_bytes(4 if frame.extended else 2, "big"), number))
            noise = data.draw(st.binary(min_size=len(coded), max_size=len(coded)))
            keep = data.draw(st.integers(0, len(coded)))
            frame = frame._replace(data=coded[:keep] + noise[keep:])
    found = codec.find(frame)
    fitting = [
        shape
        for shape in shapes
        if frame.extended == (addressing.bits == 29)
        and not frame.remote
        and shape.ids.number(frame.id) is not None
        and addressing.lawful(shape.ids.number(frame.id))
        and shape.broadcast != ("never" if shape.ids.number(frame.id) == addressing.broadcast else "only")
        and shape.fits(frame)
    ]
    assert fitting == ([] if found is None else [found.shape])  # and nothing else fits
    if found is not None:
        again = codec.encode(found.shape, found.node, found.values)
        assert codec.find(again) == found
        assert len(again.data) == len(frame.data)


@given(st.data(), shape_sets())
def test_no_node_and_no_broadcast_beside_what_the_dialect_allows(data, made):
    addressing, shapes = made
    codec = Codec(addressing, shapes)
    shape = data.draw(st.sampled_from(shapes))
    values = data.draw(values_for(shape.layout))
    outside = data.draw(st.integers(-5, 200).filter(lambda n: not addressing.first <= n <= addressing.last))
    with pytest.raises(ValueError, match=shape.message):
        codec.encode(shape, outside, values or {})
    if shape.broadcast == "never":
        with pytest.raises(ValueError, match=f"{shape.message} cannot be broadcast"):
            codec.encode(shape, None, values or {})
    if shape.broadcast == "only":
        with pytest.raises(ValueError, match=f"{shape.message} is broadcast only"):
            codec.encode(shape, addressing.first, values or {})


def request(name, base, *parts, broadcast="never", frame_class=FrameClass.NEUTRAL):
    return Shape(name, Role.REQUEST, frame_class, IdRange(base), Layout(parts), broadcast)


START = request("start", 0x40, Constant(0x51), broadcast="only", frame_class=FrameClass.STARTS)
STOP = request("stop", 0x20, Constant(0x61), broadcast="allowed", frame_class=FrameClass.STOPS)
POLL = request("poll", 0x140, Constant(0x12))
EMPTY = request("empty", 0x180)


@pytest.mark.parametrize(
    ("frame", "expected"),
    [
        (Frame(0x40, b"\x51"), ("start", None)),
        (Frame(0x41, b"\x51"), None),  # only as a broadcast
        (Frame(0x20, b"\x61"), ("stop", None)),
        (Frame(0x2B, b"\x61"), ("stop", 11)),
        (Frame(0x140, b"\x12"), None),  # never as a broadcast
        (Frame(0x14B, b"\x12"), ("poll", 11)),
        (Frame(0x14B, b"\x12\x00"), None),  # the actual length counts
        (Frame(0x14B, b""), None),
        (Frame(0x14B, b"\x13"), None),
        (Frame(0x14B, b"\x12", extended=True), None),
        (Frame(0x14B, b"\x12", t_ns=5), ("poll", 11)),
        (Frame(0x18B, b""), ("empty", 11)),
        (Frame(0x18B, b"", remote=True), None),
        (Frame(0x160, b"\x12"), None),  # node 32
        (Frame(0x00, b"\x12"), None),
        (Frame(0x7FF, b"\x12"), None),
    ],
)
def test_whose_frame_it_is(frame, expected):
    found = Codec(Addressing(11, 1, 31, 0), [START, STOP, POLL, EMPTY]).find(frame)
    assert (found and (found.shape.message, found.node)) == expected


def test_a_checksum_over_identifier_and_node_belongs_to_one_node():
    """The sum by hand: 0x01 + 0x4B + 11 + 0x12 = 0x69 for node 11 on 0x14B."""
    ids = IdRange.of_fields(IdField("constant", 6, 0x140 >> 5), IdField("node", 5))
    parts = (Constant(0x12), Checksum(Sum(8), ("identifier", "node", "payload")))
    shape = Shape("poll", Role.REQUEST, FrameClass.NEUTRAL, ids, Layout(parts))
    codec = Codec(Addressing(11, 1, 31, None), [shape])
    frame = codec.encode(shape, 11, {})
    assert frame == Frame(0x14B, b"\x12\x69")
    assert codec.find(frame) == (shape, 11, {})
    assert codec.find(frame._replace(id=0x14C)) is None
    assert not shape.fits(frame._replace(id=0x14C))


def test_frames_that_differ_in_what_means_nothing_are_alike():
    parts = (Constant(0x12), Ignored(8), Bits(("a", None)), Ignored(6))
    shape = Shape("poll", Role.REQUEST, FrameClass.NEUTRAL, IdRange(0x140), Layout(parts), rolling=Rolling(4, False))
    one = Frame(0x14B, b"\x12\x00\x01")
    assert shape.alike(one, Frame(0x14B, b"\x12\xff\xff"))
    assert not shape.alike(one, Frame(0x14B, b"\x12\x00\x00"))
    assert not shape.alike(one, Frame(0x14C, b"\x12\x00\x01"))
    assert not shape.alike(one, Frame(0x14B, b"\x13\x00\x01"))


@given(st.data(), layouts(), st.binary(max_size=8))
def test_the_quick_reader_agrees_with_the_careful_one(data, layout, noise):
    assume(layout.ranges)
    field = data.draw(st.sampled_from(sorted(layout.ranges)))
    heading = Heading(b"\x01\x4b", 11)
    read = number_reader(layout, field, heading)
    values = data.draw(values_for(layout))
    for coded in [noise] + ([] if values is None else [layout.encode(values, heading)]):
        said = layout.decode(coded, heading)
        value = None if said is None else said.get(field)
        assert read(coded) == (None if value in layout.special.get(field, {}) else value)


def s32(order=None):
    return Number("position", Linear("signed", 32), order)


QUICK = {
    "a constant in front": (Layout((Constant(0x92), s32())), "92 FE FF FF FF"),
    "nothing else": (Layout((s32(),), "big"), "FF FF FF FE"),
    "in the other order": (Layout((Constant(0x92), s32("big"))), "92 FF FF FF FE"),
    "a constant behind": (Layout((s32(), Constant(7))), "FE FF FF FF 07"),
    "among bits": (Layout((Constant(9, 4), Number("position", Linear("signed", 20))), "big"), "9F FF FE"),
    "beside digits": (Layout((s32(), Number("x", Bcd(8)))), "FE FF FF FF 09"),
    "of the shortest form": (Layout((Shortest("position", "signed", (8, 16)),)), "FE"),
}


@pytest.mark.parametrize("name", QUICK)
def test_the_quick_reader_by_hand(name):
    """-2 in two's complement, wherever it stands."""
    layout, text = QUICK[name]
    coded = bytes.fromhex(text)
    read = number_reader(layout, "position")
    assert read(coded) == -2
    assert read(coded + bytes(3)) is None
    assert read(b"") is None


def test_a_single_bit_can_be_read_as_a_number():
    read = number_reader(Layout((Constant(3), Bits((None, "captured", *[None] * 6)))), "captured")
    assert [read(b"\x03\x02"), read(b"\x03\xfd"), read(b"\x04\x02")] == [1, 0, None]


def test_a_position_that_means_something_else_is_no_position():
    layout = Layout((Number("position", Linear("signed", 16), special={-32768: "not known"}),))
    assert layout.ranges["position"] == (-32767, 32767)
    assert number_reader(layout, "position")(b"\x00\x80") is None
    assert number_reader(layout, "position")(b"\x01\x80") == -32767
