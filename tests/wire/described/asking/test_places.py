"""Where parts of a payload lie, in words and in bits, against the codec and by hand."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from choreo.wire.described.asking.places import Place, form_of, forms
from choreo.wire.described.frames.fields import Bits, Constant, Ignored, Number, Shortest
from choreo.wire.described.frames.kinds import Linear
from choreo.wire.described.frames.layout import Layout


def number(name, bits, order=None):
    return Number(name, Linear("unsigned", bits), order)


@pytest.mark.parametrize(
    ("place", "text"),
    [
        (Place(8, 0, 8, "little"), "byte 0"),
        (Place(8, 8, 32, "little"), "bytes 1-4"),
        (Place(8, 8, 32, "big"), "bytes 1-4"),
        (Place(1, 0, 5, "big"), "byte 0 bits 7-3"),  # from the most significant bit down
        (Place(1, 5, 3, "big"), "byte 0 bits 2-0"),
        (Place(1, 0, 5, "little"), "byte 0 bits 4-0"),  # from the least significant bit up
        (Place(1, 5, 3, "little"), "byte 0 bits 7-5"),
        (Place(2, 11, 1, "little"), "byte 1 bit 3"),
        (Place(2, 11, 1, "big"), "byte 1 bit 4"),
        (Place(2, 4, 12, "big"), "byte 0 bit 3 to byte 1 bit 0"),
        (Place(2, 0, 12, "little"), "byte 0 bit 0 to byte 1 bit 3"),
    ],
)
def test_in_words(place, text):
    assert place.text == text


def test_as_they_stand_in_the_frame():
    data = bytes.fromhex("0D 42 67")  # code 1, count 5; 42; 67
    assert Place(3, 0, 5, "big").shown(data) == "00001"
    assert Place(3, 5, 3, "big").shown(data) == "101"
    assert Place(3, 8, 16, "big").shown(data) == "42 67"
    assert Place(3, 8, 16, "little").shown(data) == "42 67"  # in the order of the wire


PARTS = st.lists(
    st.one_of(
        st.integers(1, 20).map(lambda bits: ("number", bits)),
        st.integers(1, 9).map(lambda bits: ("bits", bits)),
        st.integers(1, 9).map(lambda bits: ("ignored", bits)),
        st.integers(1, 9).map(lambda bits: ("constant", bits)),
    ),
    max_size=6,
).filter(lambda parts: 0 < sum(bits for _, bits in parts) <= 56)


@given(PARTS, st.sampled_from(["little", "big"]), st.binary(min_size=8, max_size=8))
def test_the_places_are_those_of_the_codec(drawn, order, noise):
    made = []
    for at, (kind, bits) in enumerate(drawn):
        make = {"number": lambda at, bits: number(f"f{at}", bits), "ignored": lambda at, bits: Ignored(bits)}
        make["bits"] = lambda at, bits: Bits(tuple(f"b{at}_{place}" for place in range(bits)))
        make["constant"] = lambda at, bits: Constant((1 << bits) // 3, bits)
        made.append(make[kind](at, bits))
    left = -sum(bits for _, bits in drawn) % 8
    layout = Layout([*made, *([Ignored(left)] if left else [])], order)
    values = {
        name: int.from_bytes(noise, "big") >> place & high
        for place, (name, (_, high)) in enumerate(layout.ranges.items())
    }
    data = layout.encode(values)
    seen = {}
    for part, place in form_of(layout, len(data)):
        if isinstance(part, Constant):
            assert place.raw(data) == part.value
        for slot in part.slots(place.width):
            seen[slot.name] = place.within(slot.at, slot.kind.bits).raw(data)
    assert seen == values


def test_every_length_has_its_places():
    layout = Layout((Constant(5, 8), Shortest("value", "unsigned", (8, 16, 32))), "big")
    assert [[place.width for _, place in form] for form in forms(layout)] == [[8, 8], [8, 16], [8, 32]]
    assert form_of(layout, 3)[1].place.text == "bytes 1-2"
    assert form_of(layout, 4) is None
    assert form_of(Layout(()), 0) == ()


def test_a_field_in_the_other_order():
    layout = Layout((Constant(1), number("a", 16, "big"), number("b", 16)), "little")
    data = layout.encode({"a": 0x1234, "b": 0x1234})
    assert data.hex() == "0112343412"
    (_, (_, first), (_, second)) = form_of(layout, 5)
    assert (first.raw(data), second.raw(data)) == (0x1234, 0x1234)
    assert (first.text, second.text) == ("bytes 1-2", "bytes 3-4")
