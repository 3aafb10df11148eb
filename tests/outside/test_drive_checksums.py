"""The simulated drive's cyclic checks against crccheck, a general-purpose library, and against catalogue values."""

import pytest
from crccheck.crc import Crc, Crc8Maxim, Crc16Arc, Crc16X25, Crc32
from hypothesis import given
from hypothesis import strategies as st

from choreo_sim.dialect.checksums import cyclic

CHECK = b"123456789"


@pytest.mark.parametrize(
    ("parameters", "check"),
    [
        # Check values of the usual CRC catalogues, from memory; crccheck 1.3.1 agrees, as the test below shows.
        ((8, 0x1D, 0xFF, False, 0xFF), 0x4B),  # SAE J1850
        ((16, 0x1021, 0xFFFF, False, 0), 0x29B1),
        ((16, 0x8005, 0, True, 0), 0xBB3D),
        ((8, 0x31, 0, True, 0), 0xA1),
        ((16, 0x1021, 0xFFFF, True, 0xFFFF), 0x906E),
        ((32, 0x04C11DB7, 0xFFFFFFFF, True, 0xFFFFFFFF), 0xCBF43926),
    ],
)
def test_catalogue_values(parameters, check):
    assert cyclic(*parameters)(CHECK) == check


@pytest.mark.parametrize(
    ("parameters", "other"),
    [
        ((16, 0x8005, 0, True, 0), Crc16Arc),
        ((8, 0x31, 0, True, 0), Crc8Maxim),
        ((16, 0x1021, 0xFFFF, True, 0xFFFF), Crc16X25),
        ((32, 0x04C11DB7, 0xFFFFFFFF, True, 0xFFFFFFFF), Crc32),
    ],
)
@given(data=st.binary(max_size=12))
def test_named_checks(parameters, other, data):
    assert cyclic(*parameters)(data) == other.calc(data)


@given(st.sampled_from([8, 16, 24, 32]), st.booleans(), st.binary(max_size=12), st.data())
def test_any_parameters(width, reflected, data, draw):
    numbers = st.integers(0, (1 << width) - 1)
    polynomial, initial, final = draw.draw(numbers), draw.draw(numbers), draw.draw(numbers)
    other = Crc(width, polynomial, initial, reflected, reflected, final)
    assert cyclic(width, polynomial, initial, reflected, final)(data) == other.process(data).final()
