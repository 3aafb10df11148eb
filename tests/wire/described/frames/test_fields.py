"""Payloads: the values go in and come out again, whatever the parts; what does not fit is refused in words."""

import struct

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from choreo.wire.described.frames.checksums import Crc, Sum, Xor
from choreo.wire.described.frames.fields import Bits, Checksum, Constant, Ignored, Number, Rolling, Shortest
from choreo.wire.described.frames.forms import Heading
from choreo.wire.described.frames.kinds import Float, Linear, kind_of
from choreo.wire.described.frames.layout import Layout
from wire.described.frames.payloads import can_hold, layouts, values_for

headings = st.builds(Heading, st.binary(min_size=2, max_size=4), st.integers(0, 255))


def number(name, words, **more):
    """A field as a dialect file writes it: `signed 32`."""
    word, bits = words.split()
    return Number(name, kind_of(word, int(bits)), **more)


@given(st.data(), layouts(), headings)
def test_every_value_of_every_payload_comes_back(data, layout, heading):
    values = data.draw(values_for(layout))
    assume(values is not None)
    coded = layout.encode(values, heading)
    assert len(coded) in layout.forms
    assert layout.fits(coded, heading)
    assert layout.decode(coded, heading) == values


@given(st.data(), layouts(), st.binary(max_size=8), headings)
def test_any_data_is_refused_or_is_what_its_values_encode_to(data, layout, noise, heading):
    """Apart from bits without meaning, and floats that lie near a whole number, decoding loses nothing."""
    if data.draw(st.booleans()):  # random data rarely fits: begin with some that does, and change a bit of it
        values = data.draw(values_for(layout))
        assume(values is not None)
        coded = layout.encode(values, heading)
        bit = data.draw(st.integers(0, max(0, 8 * len(coded) - 1)))
        noise = bytes(byte ^ (1 << bit % 8 if place == bit // 8 else 0) for place, byte in enumerate(coded))
    values = layout.decode(noise, heading)
    assert layout.fits(noise, heading) == (values is not None)
    if values is None:
        return
    again = layout.encode(values, heading)
    assert layout.decode(again, heading) == values
    parts = [part for alternative in layout.alternatives for part in alternative]
    free = [part for part in parts if isinstance(part, Ignored) or (isinstance(part, Bits) and None in part.names)]
    floats = [part for part in parts if isinstance(part, Number) and isinstance(part.kind, Float)]
    if not free and not floats:
        assert again == noise


@given(st.data(), layouts(5), st.sampled_from([Sum(8), Sum(16), Xor(), Crc(16, 0x1021, 0xFFFF)]), headings)
def test_another_checksum_than_the_right_one_is_refused(data, layout, method, heading):
    over = ("identifier", "payload")
    parts = [part for part in layout.parts if not isinstance(part, Checksum)]
    parts.append(Ignored(-sum(part.widths[0] for part in parts) % 8 or 8))
    summed = Layout([*parts, Checksum(method, over)], layout.order)
    values = data.draw(values_for(summed))
    assume(values is not None)
    coded = summed.encode(values, heading)
    size = method.bits // 8
    assert coded[-size:] == method.of(heading.identifier + coded[:-size]).to_bytes(size, layout.order)
    bit = 1 << data.draw(st.integers(0, method.bits - 1))
    wrong = (int.from_bytes(coded[-size:], "big") ^ bit).to_bytes(size, "big")
    assert summed.decode(coded[:-size] + wrong, heading) is None


@given(st.data(), layouts())
def test_a_value_beside_its_range_is_refused_with_name_value_and_range(data, layout):
    assume(layout.ranges and len(layout.forms) == 1 and not layout.special)
    values = data.draw(values_for(layout))
    assume(values is not None)
    name = data.draw(st.sampled_from(sorted(layout.ranges)))
    low, high = layout.ranges[name]
    wrong = data.draw(st.one_of(st.integers(max_value=low - 1), st.integers(min_value=high + 1)))
    with pytest.raises(ValueError, match=name) as raised:
        layout.encode(values | {name: wrong}, Heading(b"\0\0", 1))
    assert str(raised.value) == f"{name} {wrong} is outside {low} to {high}"


def test_missing_and_unknown_values_are_refused():
    layout = Layout((Constant(0x21), number("speed", "unsigned 16")))
    with pytest.raises(ValueError, match=r"^speed is missing: it must be 0 to 65535$"):
        layout.encode({})
    with pytest.raises(ValueError, match=r"^sped is none of its fields: speed$"):
        layout.encode({"speed": 1, "sped": 1})
    with pytest.raises(ValueError, match=r"^speed 1\.5 is outside 0 to 65535$"):
        layout.encode({"speed": 1.5})
    with pytest.raises(ValueError, match=r"^speed is missing"):
        layout.encode({"sped": 1})


# The struct module of the standard library is the reference for two's complement and byte order.
@pytest.mark.parametrize("order", ["little", "big"])
@pytest.mark.parametrize("own", [None, "little", "big"])
@pytest.mark.parametrize("bits", [8, 16, 32, 64])
@pytest.mark.parametrize("word", ["signed", "unsigned"])
@given(data=st.data())
def test_numbers_are_laid_out_as_struct_lays_them_out(order, own, bits, word, data):
    kind = Linear(word, bits)
    letter = {8: "b", 16: "h", 32: "i", 64: "q"}[bits]
    form = (">" if (own or order) == "big" else "<") + (letter if word == "signed" else letter.upper())
    value = data.draw(st.integers(*kind.bounds))
    assert Layout((Number("value", kind, own),), order).encode({"value": value}) == struct.pack(form, value)


def test_a_24_bit_number_by_hand():
    """practice.md P27: 2400 mm at 16,384 counts/mm are beyond 24 bits; two's complement by hand."""
    layout = Layout((number("position", "signed 24"),), "big")
    assert layout.encode({"position": -2}) == bytes.fromhex("FF FF FE")
    assert layout.encode({"position": 0x123456}) == bytes.fromhex("12 34 56")
    low, high = layout.ranges["position"]
    assert not low <= 2400 * 16384 <= high


def test_fields_of_odd_widths_by_hand():
    """
    Bits written out by hand. Little order: command 5 in bits 0 to 2, speed 0x155 in bits 3 to 12, three unused bits:
    0x155 << 3 | 5 = 0xAAD. Big order, from the top: 101 0101010101 000 = 1010 1010 1010 1000.
    """
    parts = (Constant(5, 3), number("speed", "unsigned 10"), Ignored(3))
    assert Layout(parts, "little").encode({"speed": 0x155}) == bytes.fromhex("AD 0A")
    assert Layout(parts, "big").encode({"speed": 0x155}) == bytes.fromhex("AA A8")


def test_a_byte_order_of_its_own():
    layout = Layout((Constant(0x42), number("target", "signed 32", order="big"), number("speed", "unsigned 16")))
    assert layout.encode({"target": -2, "speed": 0x1234}) == bytes.fromhex("42 FF FF FF FE 34 12")


@pytest.mark.parametrize("order", ["little", "big"])
def test_bits_count_from_the_least_significant(order):
    layout = Layout((Bits(("first", None, "third", None, None, None, None, "last")),), order)
    assert layout.encode({"first": 1, "third": 0, "last": 1}) == b"\x81"
    assert layout.decode(b"\x06") == {"first": 0, "third": 1, "last": 0}  # bit 1 has no meaning and is not looked at


def test_a_bit_may_be_the_inverse():
    layout = Layout((Bits(("not_enabled", "moving")), Ignored(6)))
    assert layout.decode(b"\x01") == {"enabled": 0, "moving": 0}
    assert layout.encode({"enabled": 1, "moving": 1}) == b"\x02"


def test_a_narrower_range_holds_both_ways_and_special_values_may_be_said():
    layout = Layout((number("speed", "unsigned 16", low=1, high=5000, special={65535: "no value"}),))
    assert layout.ranges == {"speed": (1, 5000)}
    assert layout.special == {"speed": {65535: "no value"}}
    assert [layout.decode(bytes.fromhex(text)) for text in ("0000", "8813", "8913", "FFFF")] == [
        None,
        {"speed": 5000},
        None,
        {"speed": 65535},
    ]
    assert layout.encode({"speed": 65535}) == b"\xff\xff"
    with pytest.raises(ValueError, match="speed 5001 is outside 1 to 5000"):
        layout.encode({"speed": 5001})


def test_the_shortest_form_is_as_long_as_the_value_needs():
    """Two's complement by hand: one byte holds -128 to 127, two hold -32768 to 32767."""
    layout = Layout((Constant(7), Shortest("value", "signed", (8, 16, 24, 32))))
    told = {0: "07 00", 127: "07 7F", 128: "07 80 00", -128: "07 80", -129: "07 7F FF", 65536: "07 00 00 01"}
    for value, text in told.items():
        assert layout.encode({"value": value}) == bytes.fromhex(text)
        assert layout.decode(bytes.fromhex(text)) == {"value": value}
    assert layout.decode(bytes.fromhex("07 7F 00")) is None  # longer than it needs
    assert layout.decode(bytes.fromhex("07")) is None
    assert layout.decode(bytes.fromhex("07 01 02 03 04 05")) is None
    assert layout.size == 5


def test_the_shortest_form_takes_only_the_widths_that_exist():
    layout = Layout((Shortest("value", "unsigned", (16, 32)), Constant(9)), "big")
    assert layout.encode({"value": 1}) == bytes.fromhex("00 01 09")
    assert layout.encode({"value": 65536}) == bytes.fromhex("00 01 00 00 09")


def test_several_payloads_are_told_apart_by_their_lengths():
    layout = Layout(
        (Constant(3), number("state", "unsigned 8")),
        "little",
        (Constant(3), number("state", "unsigned 8"), number("position", "signed 16")),
    )
    assert layout.decode(b"\x03\x05") == {"state": 5}
    assert layout.decode(b"\x03\x05\xff\xff") == {"state": 5, "position": -1}
    assert layout.decode(b"\x03\x05\xff") is None
    assert layout.encode({"state": 5, "position": -1}) == b"\x03\x05\xff\xff"
    assert layout.encode({"state": 5}) == b"\x03\x05"
    assert (layout.size, list(layout.ranges)) == (4, ["state", "position"])
    with pytest.raises(ValueError, match="state is missing: it must be 0 to 255"):
        layout.encode({"position": 1})
    with pytest.raises(ValueError, match="16 bits are no length"):
        Layout((Constant(3), Constant(4)), "little", (Constant(3, 16),))


def test_a_rolling_counter_is_a_field():
    layout = Layout((Constant(1, 4), Rolling(4)))
    assert layout.ranges == {"rolling": (0, 15)}
    assert layout.encode({"rolling": 9}) == b"\x91"


def test_a_sum_over_payload_identifier_node_and_fields_by_hand():
    """0x14 + 0x4B = 0x5F for the identifier 0x14B, 11 = 0x0B for the node; the sum is taken modulo 256."""
    value = number("value", "unsigned 16")
    heading = Heading(bytes.fromhex("01 4B"), 11)
    cases = {
        ("payload",): 0x22 + 0x34 + 0x12,
        ("identifier",): 0x01 + 0x4B,
        ("node", "payload"): 0x0B + 0x22 + 0x34 + 0x12,
        ("value",): 0x34 + 0x12,
        ("value", "value"): 2 * (0x34 + 0x12),
    }
    for over, expected in cases.items():
        layout = Layout((Constant(0x22), Checksum(Sum(8), over), value))
        coded = layout.encode({"value": 0x1234}, heading)
        assert coded == bytes((0x22, expected & 0xFF, 0x34, 0x12))
        wrong = coded[:1] + bytes((coded[1] ^ 1,)) + coded[2:]
        assert layout.decode(coded, heading) == {"value": 0x1234}
        assert layout.decode(wrong, heading) is None


def test_a_checksum_over_the_identifier_is_never_right_without_it():
    layout = Layout((Constant(1), Checksum(Sum(8), ("identifier",))))
    assert layout.needs_heading
    assert not layout.fits(b"\x01\x00")
    with pytest.raises(ValueError, match="covers the identifier"):
        layout.encode({})


@given(layouts())
def test_ranges_are_what_some_form_holds(layout):
    for name, (low, high) in layout.ranges.items():
        spans = [span for form in layout.forms.values() if can_hold(form) for span in form.lawful.get(name, ())]
        if spans and name not in layout.special:
            assert (low, high) == (min(span[0] for span in spans), max(span[1] for span in spans))
