"""Payloads: the values go in and come out again, whatever the parts; what does not fit is refused in words."""

import struct

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from choreo.wire.described.fields import Bits, Constant, Ignored, Layout, Number
from wire.payloads import data_that_fits, layouts, values_for


@given(st.data(), layouts())
def test_every_value_of_every_payload_comes_back(data, layout):
    values = data.draw(values_for(layout))
    coded = layout.encode(values)
    assert len(coded) == layout.size
    assert layout.fits(coded)
    assert layout.decode(coded) == values


@given(st.data(), layouts())
def test_data_that_fits_is_exactly_what_its_values_encode_to(draws, layout):
    """Apart from bits and bytes without meaning, decoding loses nothing."""
    data = draws.draw(data_that_fits(layout))
    assert layout.fits(data)
    again = layout.encode(layout.decode(data))
    meaning = bytes(
        byte
        for part in layout.parts
        for byte in (
            [0] * part.size
            if isinstance(part, Ignored)
            else [sum(1 << i for i, name in enumerate(part.names) if name)]
            if isinstance(part, Bits)
            else [0xFF] * part.size
        )
    )
    assert [a & m for a, m in zip(again, meaning, strict=True)] == [d & m for d, m in zip(data, meaning, strict=True)]


# The struct module of the standard library is the reference for two's complement and byte order.
@pytest.mark.parametrize("order", ["little", "big"])
@pytest.mark.parametrize("bits", [8, 16, 32, 64])
@pytest.mark.parametrize("signed", [True, False])
@given(data=st.data())
def test_numbers_are_laid_out_as_struct_lays_them_out(order, bits, signed, data):
    number = Number("value", bits, signed, order)
    letter = {8: "b", 16: "h", 32: "i", 64: "q"}[bits]
    form = (">" if order == "big" else "<") + (letter if signed else letter.upper())
    value = data.draw(st.integers(number.minimum, number.maximum))
    assert number.put({"value": value}) == struct.pack(form, value)


def test_a_24_bit_number_by_hand():
    """practice.md P27: 2400 mm at 16,384 counts/mm are beyond 24 bits; two's complement by hand."""
    number = Number("position", 24, True, "big")
    assert number.put({"position": -2}) == bytes.fromhex("FF FF FE")
    assert number.put({"position": 0x123456}) == bytes.fromhex("12 34 56")
    assert not number.minimum <= 2400 * 16384 <= number.maximum


def test_bits_count_from_the_least_significant():
    bits = Bits(("first", None, "third", None, None, None, None, "last"))
    assert bits.put({"first": 1, "third": 0, "last": 1}) == b"\x81"
    assert dict(bits.take(b"\x06")) == {"first": 0, "third": 1, "last": 0}  # bit 1 has no meaning and is not looked at


@given(st.data(), layouts())
def test_a_value_beside_its_range_is_refused_with_name_value_and_range(data, layout):
    assume(layout.ranges)
    values = data.draw(values_for(layout))
    name = data.draw(st.sampled_from(sorted(layout.ranges)))
    low, high = layout.ranges[name]
    wrong = data.draw(st.one_of(st.integers(max_value=low - 1), st.integers(min_value=high + 1)))
    with pytest.raises(ValueError, match=name) as raised:
        layout.encode(values | {name: wrong})
    assert str(raised.value) == f"{name} {wrong} is outside {low} to {high}"


def test_missing_and_unknown_values_are_refused():
    layout = Layout((Constant(0x21), Number("speed", 16, False)))
    with pytest.raises(ValueError, match=r"^speed is missing: it must be 0 to 65535$"):
        layout.encode({})
    with pytest.raises(ValueError, match=r"^sped is none of its fields: speed$"):
        layout.encode({"speed": 1, "sped": 1})
    with pytest.raises(ValueError, match=r"^speed 1\.5 is outside 0 to 65535$"):
        layout.encode({"speed": 1.5})


same_size = st.integers(0, 3).flatmap(lambda size: st.tuples(layouts(size), layouts(size)))


@given(st.data(), st.one_of(same_size, st.tuples(layouts(), layouts())))
def test_payloads_can_be_confused_when_some_data_fits_both_and_only_then(data, pair):
    one, other = pair
    if one.could_be(other):
        common = bytes(a if a is not None else b or 0 for a, b in zip(one.fixed, other.fixed, strict=True))
        assert one.fits(common)
        assert other.fits(common)
    else:
        assert not other.fits(data.draw(data_that_fits(one)))
