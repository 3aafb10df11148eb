"""Whether two payloads, or two ranges of identifiers, can be confused: never "no" where some frame fits both."""

import pytest
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st

from choreo.wire.described.frames.fields import Bits, Constant, Ignored, Number, Shortest
from choreo.wire.described.frames.forms import Heading
from choreo.wire.described.frames.identifiers import Addressing, IdField, IdRange
from choreo.wire.described.frames.kinds import Linear, kind_of
from choreo.wire.described.frames.layout import Layout
from choreo.wire.described.frames.overlap import any_matching
from wire.described.frames.payloads import addressings, id_ranges, layouts, values_for

HEADING = Heading(b"\x01\x4b", 11)

small = st.integers(0, 63)


@given(small, small, small, small)
def test_any_matching_is_what_trying_all_says(low, high, mask, wanted):
    wanted &= mask
    assert any_matching(low, high, mask, wanted) == any(n & mask == wanted for n in range(low, high + 1))


same_size = st.integers(0, 2).flatmap(lambda size: st.tuples(layouts(size), layouts(size)))


@given(st.data(), st.one_of(same_size, st.tuples(layouts(), layouts())))
def test_payloads_that_cannot_be_confused_have_no_data_in_common(data, pair):
    """The search for a counterexample: data made for one, tried on the other, whatever the decision was."""
    one, other = pair
    values = data.draw(values_for(one))
    assume(values is not None)
    coded = one.encode(values, HEADING)
    if other.fits(coded, HEADING):
        assert one.could_be(other) is not None
        assert other.could_be(one) is not None


@settings(max_examples=25)
@given(st.sampled_from([1, 1, 1, 2]).flatmap(lambda size: st.tuples(layouts(size), layouts(size))))
def test_of_short_payloads_all_data_are_tried(pair):
    one, other = pair
    every = (number.to_bytes(one.size, "big") for number in range(1 << 8 * one.size))
    common = any(one.fits(data, HEADING) and other.fits(data, HEADING) for data in every)
    if common:
        assert one.could_be(other) == other.could_be(one) == one.size


def layout(*parts, order="little"):
    return Layout(parts, order)


def field(name, words, **more):
    word, bits = words.split()
    return Number(name, kind_of(word, int(bits)), **more)


APART = {
    "constants": (layout(Constant(1)), layout(Constant(2))),
    "constants of a nibble": (layout(Constant(1, 4), Ignored(4)), layout(Constant(2, 4), Ignored(4))),
    "constants across a byte": (layout(Ignored(4), Constant(0x155, 10), Ignored(2)), layout(Ignored(8), Constant(9))),
    "lengths": (layout(Constant(1)), layout(Constant(1), Ignored(8))),
    "a range and a constant": (layout(field("a", "unsigned 8", high=15)), layout(Constant(0x80))),
    "a negative range and a constant": (layout(field("a", "signed 8", high=-1)), layout(Constant(0x7F))),
    "a digit and a constant": (layout(field("a", "bcd 8")), layout(Constant(0xA0))),
    "a sign and a constant": (layout(field("a", "signed_bcd 8")), layout(Constant(0x31))),
    "a minus zero": (layout(field("a", "sign_magnitude 8")), layout(Constant(0x80))),
    "two ranges": (layout(field("a", "unsigned 8", high=15)), layout(field("b", "unsigned 8", low=16))),
    "a form that is too long": (
        layout(Constant(1), Shortest("a", "unsigned", (8, 16))),
        layout(Constant(1), Ignored(8), Constant(0)),
    ),
    "a constant in the other order": (
        layout(Constant(0x12), Ignored(8), order="big"),
        layout(Ignored(8), Constant(0x12), field("x", "unsigned 8")),
    ),
}


@pytest.mark.parametrize("name", APART)
def test_what_tells_payloads_apart(name):
    one, other = APART[name]
    assert one.could_be(other) is None
    assert other.could_be(one) is None


TOGETHER = {
    "a field and a constant": (layout(field("a", "unsigned 8")), layout(Constant(0x80)), 1),
    "a special value": (layout(field("a", "unsigned 8", high=15, special={128: "off"})), layout(Constant(0x80)), 1),
    "bits": (layout(Bits(("a",) * 1), Ignored(7)), layout(Constant(0x80)), 1),
    "one length of several": (
        layout(Constant(1), Shortest("a", "unsigned", (8, 16))),
        layout(Constant(1), Ignored(8), Constant(1)),
        3,
    ),
    "ranges that meet": (layout(field("a", "unsigned 8", high=16)), layout(field("b", "unsigned 8", low=16)), 1),
}


@pytest.mark.parametrize("name", TOGETHER)
def test_what_does_not(name):
    one, other, size = TOGETHER[name]
    assert one.could_be(other) == other.could_be(one) == size


@given(st.data(), addressings())
def test_ranges_that_share_no_identifier_never_take_the_same(data, at):
    one, other = data.draw(id_ranges(at)), data.draw(id_ranges(at))
    numbers = st.integers(at.first, at.last)
    if at.broadcast is not None:
        numbers = st.one_of(numbers, st.just(at.broadcast))
    free = data.draw(st.integers(0, (1 << at.bits) - 1))
    identifier = one.identifier(data.draw(numbers))
    identifier |= free & ~(one.care | ((1 << (one.node_bits or 0)) - 1) << one.shift) if one.node_bits else 0
    assert one.number(identifier) is not None
    number = other.number(identifier)
    if number is not None and at.lawful(number):
        assert one.could_share(other, at)
        assert other.could_share(one, at)


@settings(max_examples=40)
@given(st.data(), addressings().filter(lambda at: at.bits == 11))
@example(data=None, at=Addressing(11, 1, 3, 0))
def test_of_11_bit_ranges_all_identifiers_are_tried(data, at):
    if data is None:
        one, other = IdRange(0x120), IdRange(0x124)
    else:
        one, other = data.draw(id_ranges(at)), data.draw(id_ranges(at))

    def takes(range_, identifier):
        number = range_.number(identifier)
        return number is not None and at.lawful(number)

    if any(takes(one, identifier) and takes(other, identifier) for identifier in range(1 << 11)):
        assert one.could_share(other, at)


def test_bit_fields_of_an_identifier_by_hand():
    """Drawn as manuals do, the most significant bit on the left: 101 00 00001011 0x4D01 for node 11."""
    ids = IdRange.of_fields(
        IdField("constant", 3, 5), IdField("ignored", 2), IdField("node", 8), IdField("constant", 16, 0x4D01)
    )
    assert ids.identifier(11) == 0b101_00_00001011_0100110100000001
    assert ids.number(0b101_11_00001011_0100110100000001) == 11  # ignored bits are not looked at
    assert ids.number(0b100_00_00001011_0100110100000001) is None
    assert not ids.could_share(IdRange(0x1FF), Addressing(29, 1, 60, 255))


@given(st.integers(1, 64), st.data())
def test_linear_kinds_of_one_width_are_confusable(bits, data):
    names = data.draw(st.tuples(*[st.sampled_from(["signed", "unsigned", "offset_binary"])] * 2))
    pad = (Ignored(-bits % 8),) if bits % 8 else ()
    one, other = (Layout((Number("a", Linear(name, bits)), *pad)) for name in names)
    assert one.could_be(other) == one.size
