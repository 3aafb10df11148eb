"""
How long a classical CAN data frame can be on the wire, by its number of data bytes: bounds, never the exact length.

Bits from the start of the frame to the end of the intermission, 3 bits, included. Layout and bound: facts.md A1, A4
(ISO 11898-1; Davis, Burns, Bril, Lukkien, Real-Time Systems 35 (2007), equations (1) to (3)).
"""

from choreo.units import NS_PER_S

#: Bits that may be stuffed, without the data: SOF to the last bit of the CRC.
_STUFFABLE = {False: 34, True: 54}

#: CRC delimiter, acknowledge slot and delimiter, end of frame, intermission.
_TAIL = 13

#: The highest bit rate of classical CAN, bit/s.
HIGHEST_BIT_RATE = 1_000_000


def longest_bits(data_bytes: int, extended: bool = False) -> int:
    """
    Bits with as many stuff bits as the rule could ever insert; no real frame is longer.

    `extended` is the 29-bit identifier. Raises ValueError unless there are 0 to 8 data bytes.
    """
    stuffable = _stuffable(data_bytes, extended)
    return stuffable + _TAIL + (stuffable - 1) // 4


def shortest_bits(data_bytes: int, extended: bool = False) -> int:
    """Bits with no stuff bit at all; no real frame is shorter. Raises ValueError unless there are 0 to 8 bytes."""
    return _stuffable(data_bytes, extended) + _TAIL


def bits_to_ns(bits: int, bit_rate: int) -> int:
    """
    How long so many bits take at `bit_rate` bit/s, in nanoseconds, a part of one rounded up.

    Raises ValueError for a negative number of bits and a bit rate outside 1 bit/s to 1 Mbit/s.
    """
    _check(bits, bit_rate)
    return -(-bits * NS_PER_S // bit_rate)


def longest_ns(data_bytes: int, bit_rate: int, extended: bool = False) -> int:
    """`longest_bits` as a time at `bit_rate` bit/s, in nanoseconds, rounded up."""
    return bits_to_ns(longest_bits(data_bytes, extended), bit_rate)


def shortest_ns(data_bytes: int, bit_rate: int, extended: bool = False) -> int:
    """`shortest_bits` as a time at `bit_rate` bit/s, in nanoseconds, rounded down: no real frame is shorter."""
    bits = shortest_bits(data_bytes, extended)
    _check(bits, bit_rate)
    return bits * NS_PER_S // bit_rate


def _stuffable(data_bytes: int, extended: bool) -> int:
    if not 0 <= data_bytes <= 8:
        raise ValueError(f"a classical CAN frame has 0 to 8 data bytes, not {data_bytes}")
    return _STUFFABLE[extended] + 8 * data_bytes


def _check(bits: int, bit_rate: int) -> None:
    if bits < 0:
        raise ValueError(f"a number of bits is not negative, and {bits} was given")
    if not 1 <= bit_rate <= HIGHEST_BIT_RATE:
        raise ValueError(f"a bit rate of classical CAN lies between 1 and {HIGHEST_BIT_RATE} bit/s, not at {bit_rate}")
