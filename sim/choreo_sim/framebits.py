"""
How long a frame is on the wire: CRC-15 and bit stuffing of ISO 11898-1, by table, a byte at a time.

Both run over whole bytes. The CRC is linear and starts at 0, so each data byte adds a value of its own that depends
only on how many bytes follow it. Stuffing is a walk through *places*: a place stands for one value and length of the
last run of equal bits together with the number of stuff bits so far. `_STEPS[place | byte]` is the place after eight
more bits. The fifteen bits of the CRC are walked as eight and seven, and `_ENDS[place >> 1 | seven bits]` is the final
count. So a byte costs two look-ups and no arithmetic on the counts.
"""

from typing import Any, NamedTuple

from choreo.frame import Frame

POLYNOMIAL = 0x4599  # x^15 + x^14 + x^10 + x^8 + x^7 + x^4 + x^3 + 1, the leading term dropped (facts.md A3)
INTERMISSION = 3  # bits between frames
END_OF_FRAME = 7
TAIL = 1 + 1 + 1 + END_OF_FRAME + INTERMISSION  # CRC delimiter, ACK slot, ACK delimiter: never stuffed (facts.md A1)
MOST_STUFF_BITS = 29  # (54 + 64 - 1) / 4, facts.md A4: 29-bit identifier, eight bytes
REMEMBERED = 8192  # frames whose length is kept, then all are forgotten


class _Head(NamedTuple):
    """What identifier and length code decide before the first data byte."""

    crc: int  # of the header, already shifted past the data bytes
    place: int
    bits: int  # of the frame without stuff bits, with intermission
    tables: tuple[list[int], ...]  # per data byte: what it adds to the CRC


def _walk(state: int, value: int, width: int) -> tuple[int, int]:
    """Stuff bits in `width` bits of `value`, and the state after them: 4 * last bit + length of its run - 1."""
    last, run = divmod(state, 4)
    run += 1
    stuffed = 0
    for shift in range(width - 1, -1, -1):
        bit = value >> shift & 1
        run = run + 1 if bit == last else 1
        last = bit
        if run == 5:
            stuffed += 1
            last, run = 1 - bit, 1
    return stuffed, 4 * last + run - 1


def _shift_in(crc: int, value: int, width: int) -> int:
    """The CRC register after `width` more bits."""
    for shift in range(width - 1, -1, -1):
        crc = crc << 1 ^ POLYNOMIAL if (crc >> 14 ^ value >> shift) & 1 else crc << 1
        crc &= 0x7FFF
    return crc


def _crc_tables() -> list[list[int]]:
    """`tables[k][byte]`: what a byte adds to the CRC when k more bytes follow it."""
    first = [_shift_in(0, byte, 8) for byte in range(256)]
    tables = [first]
    for _ in range(7):
        tables.append([(crc << 8 & 0x7FFF) ^ first[crc >> 7] for crc in tables[-1]])
    return tables


def _place(stuffed: int, state: int) -> int:
    """The place of a count and a state; leaves the lowest eight bits free."""
    return (8 * stuffed + state) << 8


def _stuffing_tables() -> tuple[list[int], list[int]]:
    """`_STEPS` and `_ENDS`."""
    nibbles = [[_walk(state, value, 4) for value in range(16)] for state in range(8)]
    endings = [[_walk(state, value, 7)[0] for value in range(128)] for state in range(8)]
    steps = []
    for state in range(8):
        step = []
        for high in range(16):
            stuffed, between = nibbles[state][high]
            step += [(stuffed + more, after) for more, after in nibbles[between]]
        steps.append(step)
    places = [[_place(count, state) for state in range(8)] for count in range(MOST_STUFF_BITS + 3)]
    onward: list[int] = []
    ends: list[int] = []
    for count in range(MOST_STUFF_BITS + 1):
        for state in range(8):
            onward += [places[count + more][after] for more, after in steps[state]]
            ends += [count + more for more in endings[state]]
    return onward, ends


_CRC = _crc_tables()
_STEPS, _ENDS = _stuffing_tables()
_heads: dict[tuple[int, int, bool, bool], _Head] = {}
_known: dict[tuple[Any, ...], int] = {}


def _header(identifier: int, length: int, extended: bool, remote: bool) -> tuple[int, int]:
    """The bits from start of frame to the length code, and how many they are (facts.md A1)."""
    if not 0 <= identifier < (1 << 29 if extended else 1 << 11):
        raise ValueError(f"identifier 0x{identifier:X} does not fit into {29 if extended else 11} bits")
    if length > (0 if remote else 8):
        raise ValueError(f"{length} bytes in a {'remote frame, which has none' if remote else 'frame, at most 8'}")
    if extended:  # SOF, 11 bits, SRR, IDE, 18 bits, RTR, r1, r0, length code
        base = (identifier >> 18) << 2 | 0b11
        return (base << 18 | identifier & 0x3FFFF) << 7 | remote << 6 | length, 39
    return identifier << 7 | remote << 6 | length, 19  # SOF, 11 bits, RTR, IDE, r0, length code


def _head(identifier: int, length: int, extended: bool, remote: bool) -> _Head:
    bits, width = _header(identifier, length, extended, remote)
    crc = _shift_in(0, bits, width)
    for _ in range(length):
        crc = (crc << 8 & 0x7FFF) ^ _CRC[0][crc >> 7]
    stuffed, state = _walk(0, bits, width - 1)  # start of frame is the first dominant bit of the first run: state 0
    tables = tuple(_CRC[length - 1 - place] for place in range(length))
    return _Head(crc, _place(stuffed, state), width + 8 * length + 15 + TAIL, tables)


def crc15(frame: Frame) -> int:
    """The CRC sequence of a frame."""
    bits, width = _header(frame.id, len(frame.data), frame.extended, frame.remote)
    crc = _shift_in(0, bits, width)
    for byte in frame.data:
        crc = (crc << 8 & 0x7FFF) ^ _CRC[0][crc >> 7 ^ byte]
    return crc


def _count(frame: Frame) -> int:
    identifier, data, extended, remote, _ = frame
    key = (identifier, len(data), extended, remote)
    try:
        crc, place, bits, tables = _heads[key]
    except KeyError:
        if len(_heads) >= REMEMBERED:
            _heads.clear()
        crc, place, bits, tables = _heads[key] = _head(*key)
    steps = _STEPS
    for table, byte in zip(tables, data, strict=True):
        crc ^= table[byte]
        place = steps[place | byte]
    place = steps[place | crc >> 7]
    return bits + _ENDS[place >> 1 | crc & 0x7F]


def exact_bits(frame: Frame) -> int:
    """
    Bit times that a frame takes on the wire: start of frame to end of frame, stuff bits and the intermission after it.

    A remote frame asks for no bytes here: its length code is 0. Raises ValueError for an identifier or a length that
    classical CAN does not have.
    """
    key = frame[:4]
    bits = _known.get(key)
    if bits is None:
        bits = _count(frame)
        if len(_known) >= REMEMBERED:
            _known.clear()
        _known[key] = bits
    return bits


def first_difference(one: Frame, other: Frame) -> tuple[int, bool] | None:
    """
    Where two frames differ first: which bit on the wire, counted from start of frame as 1 and with stuff bits, and
    whether `one` has the dominant bit there; None when they are the same.
    """
    mine, my_width = _unstuffed(one)
    theirs, their_width = _unstuffed(other)
    width = min(my_width, their_width)
    mine >>= my_width - width
    theirs >>= their_width - width
    if mine == theirs:
        return None  # equal up to the shorter CRC: the length codes are equal too, so nothing is left to differ
    same = width - (mine ^ theirs).bit_length()  # unstuffed bits before the difference, start of frame at least
    return same + _walk(0, mine >> (width - same), same - 1)[0] + 1, mine < theirs


def _unstuffed(frame: Frame) -> tuple[int, int]:
    """Start of frame to the CRC sequence as one number, and its width."""
    length = len(frame.data)
    bits, width = _header(frame.id, length, frame.extended, frame.remote)
    body = bits << 8 * length | int.from_bytes(frame.data, "big")
    return body << 15 | crc15(frame), width + 8 * length + 15
