"""
Checksums against crccheck, a general-purpose CRC library, and against the published catalogue's check values over the
nine characters "123456789" (the catalogue of parametrised CRC algorithms; values from memory, each confirmed here by
the library's own class of that name). Sums and exclusive ors by hand.
"""

import pytest
from crccheck import crc
from hypothesis import given
from hypothesis import strategies as st

from choreo.wire.described.frames.checksums import Crc, Sum, Xor

CHECKED = b"123456789"

# Ours, the library's class of the same algorithm, the catalogue's check value.
CATALOGUE = [
    (Crc(8, 0x07), crc.Crc8, 0xF4),
    (Crc(8, 0x1D, 0xFF, False, 0xFF), crc.Crc8SaeJ1850, 0x4B),
    (Crc(8, 0x31, 0, True), crc.Crc8Maxim, 0xA1),
    (Crc(8, 0x2F, 0xFF, False, 0xFF), crc.Crc8Autosar, 0xDF),
    (Crc(16, 0x1021, 0xFFFF), crc.Crc16CcittFalse, 0x29B1),
    (Crc(16, 0x1021), crc.Crc16Xmodem, 0x31C3),
    (Crc(16, 0x8005, 0xFFFF, True), crc.Crc16Modbus, 0x4B37),
    (Crc(16, 0x1021, 0xFFFF, True, 0xFFFF), crc.Crc16X25, 0x906E),
    (Crc(32, 0x04C11DB7, 0xFFFFFFFF, True, 0xFFFFFFFF), crc.Crc32, 0xCBF43926),
]
names = [theirs.__name__ for _, theirs, _ in CATALOGUE]


@pytest.mark.parametrize(("ours", "theirs", "check"), CATALOGUE, ids=names)
def test_the_catalogue_s_check_values(ours, theirs, check):
    assert ours.of(CHECKED) == theirs.calc(CHECKED) == check


@pytest.mark.parametrize(("ours", "theirs", "check"), CATALOGUE, ids=names)
@given(data=st.binary(max_size=12))
def test_any_data(ours, theirs, check, data):
    assert ours.of(data) == theirs.calc(data)


@st.composite
def parameters(draw):
    """Any polynomial, initial and final value of a width of whole bytes."""
    bits = draw(st.sampled_from([8, 16, 24, 32]))
    most = (1 << bits) - 1
    values = [draw(st.integers(least, most)) for least in (1, 0, 0)]
    return bits, *values, draw(st.booleans())


@given(parameters(), st.binary(max_size=12))
def test_any_parameters(given_parameters, data):
    bits, polynomial, initial, final, reflected = given_parameters
    theirs = crc.Crc(bits, polynomial, initial, reflected, reflected, final)
    assert Crc(bits, polynomial, initial, reflected, final).of(data) == theirs.process(data).final()


def test_sums_by_hand():
    """0x12 + 0x34 + 0xFF = 0x145."""
    data = bytes.fromhex("12 34 FF")
    assert Sum(8).of(data) == 0x45
    assert Sum(16).of(data) == 0x145
    assert Sum(16).of(b"\xff" * 8) == 0x7F8


def test_exclusive_or_by_hand():
    """0001 0010 ^ 0011 0100 = 0010 0110; with 1111 1111 it is turned round: 1101 1001."""
    assert Xor().of(bytes.fromhex("12 34")) == 0x26
    assert Xor().of(bytes.fromhex("12 34 FF")) == 0xD9
    assert Xor().of(b"") == 0
