"""How long the line of a bus may be at a bit rate: every bit must reach the far end and its echo come back in time."""

#: Highest bit rate (bit/s) for a length of line (m). Source: facts.md B14; CiA DS 102 V2.0.
LENGTHS = {
    1_000_000: 25,
    800_000: 50,
    500_000: 100,
    250_000: 250,
    125_000: 500,
    50_000: 1000,
    20_000: 2500,
    10_000: 5000,
}


def longest_line(bit_rate: float) -> int:
    """Metres of line at a bit rate: those of the slowest rate in the table that is no slower."""
    return LENGTHS[min((rate for rate in LENGTHS if rate >= bit_rate), default=max(LENGTHS))]
