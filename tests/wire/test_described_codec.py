"""Frames of any dialect: what is put together is taken apart again, and nothing else is taken for it."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from choreo.frame import Frame
from choreo.wire.described.codec import Addressing, Codec, Role, Shape, number_reader
from choreo.wire.described.fields import Bits, Constant, Layout, Number
from choreo.wire.words import FrameClass
from wire.payloads import shape_sets, values_for

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
        frame = codec.encode(shape, node, values)
        assert frame.extended == (addressing.bits == 29)
        assert codec.find(frame) == (shape, node)
        assert shape.layout.decode(frame.data) == values


@given(st.data(), shape_sets(), frames)
def test_whatever_is_found_in_a_frame_encodes_to_its_identifier_and_constants(data, made, frame):
    addressing, shapes = made
    if data.draw(st.booleans()):  # random identifiers rarely hit: aim at one of the ranges
        base = data.draw(st.sampled_from([shape.base for shape in shapes]))
        frame = frame._replace(id=base + data.draw(st.integers(0, 128)), extended=addressing.bits == 29, remote=False)
    codec = Codec(addressing, shapes)
    found = codec.find(frame)
    if found is not None:
        shape, node = found
        assert not frame.remote
        again = codec.encode(shape, node, shape.layout.decode(frame.data))
        assert (again.id, again.extended, len(again.data)) == (frame.id, frame.extended, len(frame.data))
        assert all(fixed is None or fixed == byte for fixed, byte in zip(shape.layout.fixed, frame.data, strict=True))
        # And nothing else on that range fits.
        others = [other for other in shapes if other.base == shape.base and other.layout.fits(frame.data)]
        assert others == [shape]


@given(st.data(), shape_sets())
def test_no_node_and_no_broadcast_beside_what_the_dialect_allows(data, made):
    addressing, shapes = made
    codec = Codec(addressing, shapes)
    shape = data.draw(st.sampled_from(shapes))
    values = data.draw(values_for(shape.layout))
    outside = data.draw(st.integers(-5, 200).filter(lambda n: not addressing.first <= n <= addressing.last))
    with pytest.raises(ValueError, match=shape.message):
        codec.encode(shape, outside, values)
    if shape.broadcast == "never":
        with pytest.raises(ValueError, match=f"{shape.message} cannot be broadcast"):
            codec.encode(shape, None, values)
    if shape.broadcast == "only":
        with pytest.raises(ValueError, match=f"{shape.message} is broadcast only"):
            codec.encode(shape, addressing.first, values)


START = Shape("start", Role.REQUEST, FrameClass.STARTS, 0x40, Layout((Constant(0x51),)), "only")
STOP = Shape("stop", Role.REQUEST, FrameClass.STOPS, 0x20, Layout((Constant(0x61),)), "allowed")
POLL = Shape("poll", Role.REQUEST, FrameClass.NEUTRAL, 0x140, Layout((Constant(0x12),)))
EMPTY = Shape("empty", Role.REQUEST, FrameClass.NEUTRAL, 0x180, Layout(()))


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


@given(st.integers(-(1 << 31), (1 << 31) - 1), st.binary(max_size=8))
def test_the_quick_reader_agrees_with_the_careful_one(position, noise):
    layouts = [
        Layout((Constant(0x92), Number("position", 32, True))),
        Layout((Number("position", 32, True, "big"),)),
        Layout((Constant(1), Constant(2), Number("position", 32, True), Number("other", 16, False))),
        Layout((Number("position", 32, True), Constant(7))),
        Layout((Bits(("a", *[None] * 7)), Number("position", 32, True), Constant(9))),
    ]
    for layout in layouts:
        read = number_reader(layout, "position")
        values = {name: 1 if name != "position" else position for name in layout.ranges}
        assert read(layout.encode(values)) == position
        assert read(noise) == (layout.decode(noise)["position"] if layout.fits(noise) else None)


def test_a_single_bit_can_be_read_as_a_number():
    read = number_reader(Layout((Constant(3), Bits((None, "captured", *[None] * 6)))), "captured")
    assert [read(b"\x03\x02"), read(b"\x03\xfd"), read(b"\x04\x02")] == [1, 0, None]
