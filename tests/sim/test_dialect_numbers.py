"""Numbers and places as the drive reads them, against bytes worked by hand; IEEE 754 by its own examples."""

import struct
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from choreo.errors import RecipeError
from choreo_sim.dialect.layout import Verdict
from choreo_sim.dialect.numbers import WORDS, Ieee, notation_of
from choreo_sim.dialect.places import fetch, pieces, store
from choreo_sim.dialect_reader import Form
from choreo_sim.yaml_tree import Node, tree_of


def form(parts: str, order: str = "little") -> Form:
    return Form(tree_of(f"p: [{parts}]", "x.yaml").need("p"), order)


@pytest.mark.parametrize(
    ("kind", "value", "little", "big"),
    [
        ("unsigned 16", 0x1234, "34 12", "12 34"),
        ("signed 24", -2, "FE FF FF", "FF FF FE"),
        ("signed 64", -1, "FF FF FF FF FF FF FF FF", "FF FF FF FF FF FF FF FF"),
        ("unsigned 64", 0x0102030405060708, "08 07 06 05 04 03 02 01", "01 02 03 04 05 06 07 08"),
        ("sign_magnitude 16", -300, "2C 81", "81 2C"),  # 300 is 0x12C, the sign is the top bit
        ("sign_magnitude 16", 300, "2C 01", "01 2C"),
        ("offset_binary 16", 0, "00 80", "80 00"),
        ("offset_binary 16", -32768, "00 00", "00 00"),
        ("offset_binary 16", 32767, "FF FF", "FF FF"),
        ("bcd 32", 12345678, "78 56 34 12", "12 34 56 78"),
        ("bcd 8", 7, "07", "07"),
        ("signed_bcd 32", -123, "23 01 00 90", "90 00 01 23"),
        ("signed_bcd 32", 1234567, "67 45 23 01", "01 23 45 67"),
        ("float 32", 1, "00 00 80 3F", "3F 80 00 00"),  # 1.0
        ("float 32, step: 1/1024", 512, "00 00 00 3F", "3F 00 00 00"),  # 0.5
        ("float 32, step: 1/2", -5, "00 00 20 C0", "C0 20 00 00"),  # -2.5
        ("float 64", -2, "00 00 00 00 00 00 00 C0", "C0 00 00 00 00 00 00 00"),  # -2.0
    ],
)
def test_a_number_fills_whole_bytes(kind, value, little, big):
    for order, text in (("little", little), ("big", big)):
        found = form(f"{{a: {kind}}}", order)
        assert found.pack(value) == found.build({"a": value}) == bytes.fromhex(text)
        assert found.unpack(bytes.fromhex(text)) == {"a": value}


@pytest.mark.parametrize(
    ("parts", "values", "little", "big"),
    [
        # little: 0xABC above the 5 makes 0xABC5, low byte first; big: the 5 is on top, 0x5ABC
        ("{constant: 5, bits: 4}, {a: unsigned 12}", {"a": 0xABC}, "C5 AB", "5A BC"),
        # 3 + 13 bits: little -2 is 0x1FFE, shifted by 3 and 1 below: 0xFFF1; big 001 then 1111111111110: 0x3FFE
        ("{c: unsigned 3}, {a: signed 13}", {"c": 1, "a": -2}, "F1 FF", "3F FE"),
        # 12 bits of offset binary: 0 is 0x800
        ("{a: offset_binary 12}, {b: sign_magnitude 4}", {"a": 0, "b": -3}, "00 B8", "80 0B"),
        # 28 bits of signed digits: 9, then 000123
        ("{a: signed_bcd 28}, {ignored: 4}", {"a": -123}, "23 01 00 09", "90 00 12 30"),
        # a toggle bit, and single bits, least significant first: opposite of `enabled`, moving
        ("{bits: [not_enabled, moving, -]}, {a: unsigned 5}", {"enabled": 0, "moving": 1, "a": 1}, "0B", "61"),
        ("{bits: [not_enabled, moving, -]}, {a: unsigned 5}", {"enabled": 1, "moving": 0, "a": 1}, "08", "01"),
        # more than eight bits in a row: home is bit 0, input is bit 9 of twelve
        (
            "{bits: [home, -, -, -, -, -, -, -, -, input, -, -]}, {ignored: 4}",
            {"home": 1, "input": 1},
            "01 02",
            "20 10",
        ),
        ("{a: unsigned 16, order: big}, {b: unsigned 16}", {"a": 0x1234, "b": 0x5678}, "12 34 78 56", "12 34 56 78"),
        ("{a: unsigned 16, order: little}, {b: unsigned 16}", {"a": 0x1234, "b": 0x5678}, "34 12 78 56", "34 12 56 78"),
        ("{constant: 0xC35A, bits: 16}, {a: unsigned 8}", {"a": 1}, "5A C3 01", "C3 5A 01"),
    ],
)
def test_parts_of_any_width_lie_as_the_order_says(parts, values, little, big):
    for order, text in (("little", little), ("big", big)):
        found = form(parts, order)
        assert found.build(values).hex(" ").upper() == text
        assert found.unpack(bytes.fromhex(text)) == values


@pytest.mark.parametrize(
    ("kind", "data"),
    [
        ("sign_magnitude 16", "80 00"),  # minus zero
        ("bcd 16", "12 3A"),
        ("bcd 16", "F1 23"),
        ("signed_bcd 16", "11 23"),  # a sign that is neither 0 nor 9
        ("signed_bcd 16", "0A 23"),
        ("float 32", "7F C0 00 00"),  # not a number
        ("float 32", "7F 80 00 00"),  # infinite
        ("float 32", "3F 00 00 00"),  # 0.5 is no whole number
        ("float 32", "5F 00 00 00"),  # 2^63: its neighbours are 2^40 away
        ("unsigned 8, from: 1, to: 5", "00"),
        ("unsigned 8, from: 1, to: 5", "06"),
    ],
)
def test_what_is_no_value_is_not_taken_for_another_message(kind, data):
    found = form(f"{{a: {kind}}}", "big")
    assert found.read(bytes.fromhex(data)) == (Verdict.BAD_VALUE, {})
    assert found.unpack(bytes.fromhex(data)) is None


def test_a_value_with_a_meaning_of_its_own_is_read_though_it_is_out_of_range():
    found = form("{a: unsigned 16, from: 1, to: 5000, special: {65535: no value}}", "big")
    assert found.unpack(b"\xff\xff") == {"a": 65535}
    assert found.unpack(b"\xff\xfe") is None


def test_a_drive_says_the_nearest_value_that_a_field_can_hold():
    found = form("{a: signed 12}, {b: bcd 4}")
    assert found.unpack(found.build({"a": -5000, "b": 12})) == {"a": -2048, "b": 9}


@pytest.mark.parametrize(
    ("bits", "step", "highest"),
    [
        (32, Fraction(1), 1 << 24),  # the first whole number without a float beside it is 2^24 + 1
        (32, Fraction(1, 1024), 1 << 24),
        (64, Fraction(1), 1 << 53),
        (32, Fraction(4), 1 << 24),
    ],
)
def test_a_float_holds_whole_steps_as_far_as_floats_are_dense_enough(bits, step, highest):
    """IEEE 754: 24 and 53 bits of significand."""
    found = Ieee(bits, step)
    assert (found.low, found.high) == (-highest, highest)
    assert found.read(found.write(highest)) == highest
    assert found.read(found.write(highest - 1)) == highest - 1


@given(st.sampled_from([32, 64]), st.fractions(min_value=Fraction(1, 1000), max_value=1000), st.data())
def test_a_float_gives_every_value_of_its_range_back(bits, step, data):
    found = Ieee(bits, step)
    value = data.draw(st.integers(found.low, found.high))
    raw = found.write(value)
    (number,) = struct.unpack("<f" if bits == 32 else "<d", raw.to_bytes(bits // 8, "little"))
    assert abs(Fraction(number) - value * step) <= step / 2
    assert found.read(raw) == value


@given(st.sampled_from([word for word in WORDS if word != "float"]), st.integers(2, 16), st.data())
def test_every_value_of_every_notation_comes_back(word, quarter, data):
    node = Node("x:1:1", "")
    bits = 4 * quarter
    found = notation_of(node, word, bits, None)
    value = data.draw(st.integers(found.low, found.high))
    raw = found.write(value)
    assert 0 <= raw < 1 << bits
    assert found.read(raw) == value


@given(st.sampled_from(["little", "big"]), st.integers(0, 63), st.data())
def test_pieces_fetch_what_they_stored_and_touch_nothing_else(order, start, data):
    bits = data.draw(st.integers(1, 64 - start))
    raw = data.draw(st.integers(0, (1 << bits) - 1))
    where = pieces(start, bits, order)
    held = bytearray(8)
    store(held, where, raw)
    assert fetch(held, where) == raw
    # The whole payload as one number, in the order in which the fields fill it.
    whole = int.from_bytes(held, order)
    assert whole == raw << (start if order == "little" else 64 - start - bits)


@pytest.mark.parametrize(
    ("part", "complaint"),
    [
        ("{a: float 16}", "a float has 32 or 64 bits"),
        ("{a: bcd 10}", "4 bits each"),
        ("{a: signed_bcd 4}", "4 bits each"),
        ("{a: sign_magnitude 1}", "a sign and an amount"),
        ("{a: unsigned 65}", "no width from 1 to 64"),
        ("{a: unsigned 0}", "no width from 1 to 64"),
        ("{a: roman 8}", "'roman' is no way to write a number"),
        ("{a: unsigned}", "no kind and width"),
        ("{a: unsigned 8, step: 1/2}", "only a float has a step"),
        ("{a: float 32, step: 0}", "a step must be above zero"),
        ("{a: unsigned 8, form: 1}", "did you mean 'from'?"),
        ("{a: unsigned 4}", "4 bits; they must be whole bytes"),
        ("{constant: 16, bits: 4}", "outside 0 to 15"),
        ("{a: unsigned 8}, {a: unsigned 8}", "stands here twice"),
        ("{bits: [a, b, a, -, -, -, -, -]}", "stands here twice"),
        ("{a: unsigned 4}, {b: unsigned 8, order: big}, {c: unsigned 4}", "whole bytes only"),
        ("{rolling: 4}, {rolling: 4}", "at most one of its kind"),
        ("{}", "is expected here"),
        ("{a: unsigned 64}, {b: unsigned 8}", "9 bytes"),
    ],
)
def test_parts_that_cannot_be_are_refused_with_their_place(part, complaint):
    with pytest.raises(RecipeError, match=r"^x\.yaml:1:\d+  ") as caught:
        form(part)
    assert complaint in caught.value.headline
