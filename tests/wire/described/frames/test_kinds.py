"""The kinds of number: worked examples, and laws over all of them."""

import struct
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from choreo.wire.described.frames.kinds import WORDS, Float, kind_of
from wire.described.frames.payloads import kinds

any_kind = st.one_of(st.integers(1, 64), st.sampled_from([8, 16, 24, 28, 32, 64])).flatmap(kinds)


@given(st.data(), any_kind)
def test_every_value_comes_back(data, kind):
    low, high = kind.bounds
    value = data.draw(st.one_of(st.integers(low, high), st.sampled_from([low, high, max(low, -1), min(high, 0)])))
    raw = kind.to_wire(value)
    assert 0 <= raw < 1 << kind.bits
    assert kind.from_wire(raw) == value


@given(st.data(), any_kind)
def test_bits_are_refused_or_are_those_of_their_value(data, kind):
    raw = data.draw(st.integers(0, (1 << kind.bits) - 1))
    value = kind.from_wire(raw)
    if value is None:
        return
    assert kind.bounds[0] <= value <= kind.bounds[1]
    if not isinstance(kind, Float):
        assert kind.to_wire(value) == raw


@given(st.data(), any_kind)
def test_limits_never_leave_out_a_value(data, kind):
    low = data.draw(st.integers(*kind.bounds))
    high = data.draw(st.integers(low, kind.bounds[1]))
    value = data.draw(st.integers(low, high))
    raw = kind.to_wire(value)
    for limit in kind.limits([(low, high)]):
        part = raw >> limit.at & ((1 << limit.bits) - 1)
        assert any(first <= part <= last for first, last in limit.spans)


# Written out by hand from the definitions: two's complement, sign and magnitude, the offset of half the range (2^11 =
# 2048 for 12 bits), one decimal digit in four bits with 0 for plus and 9 for minus in front.
WORKED = [
    ("signed 12", -1, 0xFFF),
    ("signed 12", -2048, 0x800),
    ("sign_magnitude 12", -1, 0x801),
    ("sign_magnitude 12", 2047, 0x7FF),
    ("offset_binary 12", 0, 0x800),
    ("offset_binary 12", -2048, 0x000),
    ("offset_binary 12", 2047, 0xFFF),
    ("bcd 16", 1234, 0x1234),
    ("bcd 32", 90, 0x00000090),
    ("signed_bcd 28", 123456, 0x0123456),
    ("signed_bcd 28", -39322, 0x9039322),
    ("unsigned 1", 1, 1),
]


@pytest.mark.parametrize(("words", "value", "raw"), WORKED)
def test_worked_examples(words, value, raw):
    word, bits = words.split()
    kind = kind_of(word, int(bits))
    assert kind.to_wire(value) == raw
    assert kind.from_wire(raw) == value


@pytest.mark.parametrize(
    ("words", "raw"),
    [
        ("sign_magnitude 12", 0x800),  # minus zero
        ("bcd 16", 0x12A4),  # a digit above nine
        ("signed_bcd 12", 0x512),  # no sign
        ("signed_bcd 12", 0x900),  # minus zero
        ("signed_bcd 12", 0x0B1),
        ("float 32", 0x7FC00000),  # no number
        ("float 32", 0x7F800000),  # infinity
        ("float 32", 0xFF800000),
        ("float 32", 0x3F000000),  # a half
        ("float 32", 0x4C000000),  # 2^25, where floats lie four apart
        ("float 64", 0x7FF8000000000000),
    ],
)
def test_what_no_value_is_written_as_is_refused(words, raw):
    word, bits = words.split()
    assert kind_of(word, int(bits)).from_wire(raw) is None


@pytest.mark.parametrize(("bits", "form"), [(32, ">f"), (64, ">d")])
@given(data=st.data())
def test_floats_are_what_struct_makes_of_them(bits, form, data):
    """The struct module packs IEEE 754. Binary steps are exact, so that the reference needs no rounding of its own."""
    kind = Float(bits, data.draw(st.sampled_from([Fraction(1), Fraction(1, 1024), Fraction(8)])))
    value = data.draw(st.integers(*kind.bounds))
    packed = struct.pack(form, float(value * kind.step))
    assert kind.to_wire(value) == int.from_bytes(packed, "big")


def test_how_far_a_float_counts_by_ones():
    """IEEE 754: a significand of 24 bits counts to 2^24, one of 53 bits to 2^53; beyond, neighbours are 2 apart."""
    assert Float(32).bounds == (-(2**24), 2**24)
    assert Float(64).bounds == (-(2**53), 2**53)
    # A step of 1/1000: floats of 24 bits lie 2^-10 apart, the widest below 1/1000, up to 2^14 = 16384.
    assert Float(32, Fraction(1, 1000)).bounds == (-16_384_000, 16_384_000)


@given(st.fractions(min_value=Fraction(1, 10**6), max_value=10**6, max_denominator=10**6), st.data())
def test_a_float_stands_for_the_value_whose_steps_it_is_nearest_to(step, data):
    kind = Float(32, step)
    value = data.draw(st.integers(*kind.bounds))
    (number,) = struct.unpack(">f", kind.to_wire(value).to_bytes(4, "big"))
    assert abs(Fraction(number) - value * step) <= step / 2


def test_a_drive_that_multiplies_in_floats_is_understood():
    """1000 * 0.001 in single precision may be off by a last bit; a hundredth of a step is near, a half is not."""
    kind = Float(32, Fraction(1, 1000))
    near = struct.unpack(">I", struct.pack(">f", 12.34501))[0]
    half = struct.unpack(">I", struct.pack(">f", 12.3455))[0]
    assert kind.from_wire(near) == 12345
    assert kind.from_wire(half) is None
    assert kind.from_wire(0x80000000) == 0  # minus zero is zero


@pytest.mark.parametrize("word", WORDS)
def test_a_width_that_a_kind_cannot_have_is_refused_in_words(word):
    for bits in (0, 65, 999):
        with pytest.raises(ValueError, match="64 bits"):
            kind_of(word, bits)
    for bad, bits, says in [("bcd", 10, "multiple of 4"), ("signed_bcd", 4, "from 8"), ("float", 16, "32 or 64")]:
        if word == bad:
            with pytest.raises(ValueError, match=says):
                kind_of(word, bits)
