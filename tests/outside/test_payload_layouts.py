"""
Payload layouts against general-purpose libraries: bitstruct packs fields from the most significant bit of byte 0 down
(and, with both orders turned, from the least significant up); cantools knows where start bits lie in either byte order
(DBC: "Intel" counts start bits up from the least significant bit of byte 0, "Motorola" from the most significant down).
"""

import bitstruct
import pytest
from cantools.database.can import Message, Signal
from cantools.database.conversion import BaseConversion
from hypothesis import assume, given
from hypothesis import strategies as st

from choreo.wire.described.frames.fields import Bits, Constant, Ignored, Number, Rolling
from choreo.wire.described.frames.kinds import Float, Linear
from choreo.wire.described.frames.layout import Layout

ORDERS = ["little", "big"]


@st.composite
def part_lists(draw):
    """Parts that fill whole bytes: constants, numbers, named bits, counters, floats, and what is left ignored."""
    room = 8 * draw(st.integers(1, 8))
    parts = []
    while room:
        index = len(parts)
        width = draw(st.integers(1, room))
        kind = draw(st.sampled_from(["constant", "signed", "unsigned", "ignored", "bits", "float", "rolling"]))
        if kind == "float" and room >= 32:
            part = Number(f"f{index}", Float(32 if room < 64 else draw(st.sampled_from([32, 64]))))
        elif kind == "bits":
            part = Bits(tuple(f"b{index}_{place}" for place in range(min(width, 9))))
        elif kind == "constant":
            part = Constant(draw(st.integers(0, (1 << width) - 1)), width)
        elif kind == "ignored":
            part = Ignored(width)
        elif kind == "rolling" and not any(isinstance(part, Rolling) for part in parts):
            part = Rolling(min(width, 8))
        else:
            part = Number(f"n{index}", Linear("signed" if kind == "signed" else "unsigned", width))
        parts.append(part)
        room -= part.widths[0]
    return parts


def values_of(draw, layout):
    return {name: draw(st.integers(*ends)) for name, ends in layout.ranges.items()}


def pieces(part, values, order):
    """Format and value of each field of a part for bitstruct, the most significant first."""
    if isinstance(part, Bits):
        named = [(f"u{1}", values[name]) for name in reversed(part.names)]
        return named if order == "big" else named[::-1]
    if isinstance(part, Constant):
        return [(f"u{part.bits}", part.value)]
    if isinstance(part, Ignored):
        return [(f"u{part.bits}", 0)]
    if isinstance(part, Rolling):
        return [(f"u{part.bits}", values["rolling"])]
    if isinstance(part.kind, Float):
        return [(f"f{part.bits}", float(values[part.name]))]
    return [(f"{'s' if part.kind.word == 'signed' else 'u'}{part.bits}", values[part.name])]


@given(st.data(), part_lists())
def test_big_order_is_bitstruct_s_own(data, parts):
    layout = Layout(parts, "big")
    values = values_of(data.draw, layout)
    formats = [piece for part in parts for piece in pieces(part, values, "big")]
    theirs = bitstruct.pack("".join(form for form, _ in formats), *(value for _, value in formats))
    assert layout.encode(values) == theirs
    assert layout.decode(theirs) == values


@given(st.data(), part_lists())
def test_little_order_is_bitstruct_s_backwards(data, parts):
    """Fields in the other sequence, from the most significant bit down, and the bytes turned round."""
    layout = Layout(parts, "little")
    values = values_of(data.draw, layout)
    formats = [piece for part in reversed(parts) for piece in reversed(pieces(part, values, "little"))]
    packed = bitstruct.pack("".join(form for form, _ in formats), *(value for _, value in formats))
    assert layout.encode(values) == packed[::-1]
    assert layout.decode(packed[::-1]) == values


def signals_of(parts, order):
    """The same layout for cantools: a signal a field, with DBC start bits."""
    found, at = [], 0
    for part in parts:
        for slot in part.slots(part.widths[0]):
            low = at + slot.at if order == "little" else at + part.widths[0] - slot.at - slot.kind.bits
            # A Motorola signal starts at its most significant bit: bit 7 - n % 8 of byte n // 8, counted from the top.
            start = low if order == "little" else 8 * (low // 8) + 7 - low % 8
            found.append(
                Signal(
                    slot.name,
                    start,
                    slot.kind.bits,
                    "little_endian" if order == "little" else "big_endian",
                    getattr(slot.kind, "word", "") == "signed",
                    conversion=BaseConversion.factory(is_float=isinstance(slot.kind, Float)),
                )
            )
        at += part.widths[0]
    return found


@pytest.mark.parametrize("order", ORDERS)
@given(data=st.data(), parts=part_lists())
def test_cantools_puts_every_field_at_the_same_bits(order, data, parts):
    layout = Layout(parts, order)
    assume(layout.ranges)
    values = values_of(data.draw, layout)
    message = Message(0x14B, "frame", layout.size, signals_of(parts, order), unused_bit_pattern=0, strict=True)
    theirs = message.encode(values, scaling=False, strict=False)
    assert message.decode(layout.encode(values), scaling=False) == values
    constants = Layout([part if isinstance(part, Constant) else Ignored(part.widths[0]) for part in parts], order)
    merged = bytes(a | b for a, b in zip(theirs, constants.encode({}), strict=True))
    assert layout.encode(values) == merged


@pytest.mark.parametrize("order", ORDERS)
def test_a_field_in_the_other_order_by_cantools(order):
    """practice.md P27: a target of 39,321,600 counts, in its own byte order beside a field in the dialect's."""
    own = "big" if order == "little" else "little"
    layout = Layout(
        (Constant(0), Number("target", Linear("signed", 32), own), Number("speed", Linear("unsigned", 16))), order
    )
    words = {"little": "little_endian", "big": "big_endian"}
    signals = [
        Signal("target", 8 if own == "little" else 15, 32, words[own], is_signed=True),
        Signal("speed", 40 if order == "little" else 47, 16, words[order]),
    ]
    message = Message(0x14B, "frame", 7, signals, unused_bit_pattern=0)
    for target in (39_321_600, -100_000, -1):
        values = {"target": target, "speed": 240}
        assert layout.encode(values) == message.encode(values)
        assert message.decode(layout.encode(values)) == values
