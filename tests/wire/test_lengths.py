"""Bounds of frame lengths: facts.md A1, A4, A5, A6; ISO 11898-1; Davis, Burns, Bril, Lukkien 2007, equations 1 to 3."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from choreo.wire.lengths import bits_to_ns, longest_bits, longest_ns, shortest_bits, shortest_ns
from vectors import table

BIT_RATES = [10_000, 50_000, 83_333, 125_000, 250_000, 500_000, 800_000, 1_000_000]


@pytest.mark.parametrize("row", table("frame_lengths"), ids=lambda row: f"{row['bytes']} bytes")
def test_base_format(row):
    n = int(row["bytes"])
    assert shortest_bits(n) == int(row["unstuffed"])
    assert longest_bits(n) == int(row["bound"])
    assert longest_bits(n) - shortest_bits(n) == int(row["bound_stuff"])


@pytest.mark.parametrize("n", range(9))
def test_closed_forms(n):
    """facts.md A4: 55 + 10 n and 80 + 10 n bits; facts.md A1: 47 + 8 n and 67 + 8 n without stuffing."""
    assert (longest_bits(n), longest_bits(n, extended=True)) == (55 + 10 * n, 80 + 10 * n)
    assert (shortest_bits(n), shortest_bits(n, extended=True)) == (47 + 8 * n, 67 + 8 * n)


@pytest.mark.parametrize("row", table("frame_durations_us"), ids=lambda row: f"{row['bytes']} at {row['bit_rate']}")
def test_durations(row):
    n, rate = int(row["bytes"]), int(row["bit_rate"])
    assert shortest_ns(n, rate) == 1000 * int(row["unstuffed_us"])
    assert longest_ns(n, rate) == 1000 * int(row["bound_us"])


def test_the_budget_of_sixty_axes():
    """practice.md P29: a one-byte request and a five-byte reply, 60 axes at 50 Hz, are 510 kbit/s at the bound."""
    assert (longest_bits(1) + longest_bits(5)) * 60 * 50 == 510_000


def test_a_cycle_of_synchronous_axes():
    """facts.md A15: SYNC and two six-byte frames an axis are 55 + 230 N bits."""
    assert [longest_bits(0) + 2 * n * longest_bits(6) for n in (2, 4, 8)] == [515, 975, 1895]


@given(st.integers(0, 8), st.sampled_from(BIT_RATES), st.booleans())
def test_rounded_times_enclose_the_exact_ones(n, rate, extended):
    assert 0 <= longest_ns(n, rate, extended) * rate - longest_bits(n, extended) * 10**9 < rate
    assert 0 <= shortest_bits(n, extended) * 10**9 - shortest_ns(n, rate, extended) * rate < rate


@pytest.mark.parametrize("n", [-1, 9, 64])
def test_frames_that_do_not_exist_are_refused(n):
    for length in (longest_bits, shortest_bits):
        with pytest.raises(ValueError, match="0 to 8"):
            length(n)


@pytest.mark.parametrize("rate", [0, -1, 1_000_001])
def test_bit_rates_that_do_not_exist_are_refused(rate):
    for refused in (lambda: bits_to_ns(1, rate), lambda: longest_ns(0, rate), lambda: shortest_ns(0, rate)):
        with pytest.raises(ValueError, match="bit rate"):
            refused()
    with pytest.raises(ValueError, match="negative"):
        bits_to_ns(-1, 500_000)
