"""
Lengths on the wire against published values, a general-purpose CRC library and a bit-serial second method.

facts.md A1 to A7: ISO 11898-1; Davis, Burns, Bril, Lukkien, Real-Time Systems 35 (2007) for the bound.
"""

import pytest
from crccheck.crc import Crc15Can
from hypothesis import given
from hypothesis import strategies as st

from choreo.frame import Frame
from choreo_sim import framebits
from choreo_sim.framebits import crc15, exact_bits, first_difference
from sim import bit_serial
from sim.frames import DATA, frames, identifiers
from vectors import table

WORKED = [
    pytest.param(Frame(int(row["id"], 16), bytes.fromhex(row["data"])), row, id=f"{row['id']}-{row['data']}")
    for row in table("frames")
]

# facts.md A5: witnesses of the attainable maximum and of the minimum of stuff bits.
WITNESSES = [
    (0x000, "", 53),
    (0x010, "EE", 62),
    (0x000, "7C3C", 72),
    (0x03F, "FE1078", 83),
    (0x03E, "107803FE", 93),
    (0x000, "7FEF87C1E1", 102),
    (0x03E, "0F0078787C1E", 113),
    (0x01F, "8787C1E1E1E1E1", 124),
    (0x000, "01E1E1E1E1E1E1E1", 133),
    (0x084, "", 47 + 1),
    (0x084, "09", 55 + 1),
    (0x085, "21084212", 79 + 0),
    (0x085, "4210842108421086", 111 + 0),
]


@pytest.mark.parametrize(("frame", "row"), WORKED)
def test_worked_frames(frame: Frame, row: dict[str, str]) -> None:
    """facts.md A7."""
    assert crc15(frame) == int(row["crc"], 16)
    assert exact_bits(frame) == int(row["bits_with_intermission"])


@pytest.mark.parametrize(("identifier", "data", "bits"), WITNESSES)
def test_longest_and_shortest_frames(identifier: int, data: str, bits: int) -> None:
    """facts.md A5."""
    assert exact_bits(Frame(identifier, bytes.fromhex(data))) == bits


@pytest.mark.parametrize(("identifier", "crc", "to_end_of_frame"), [(0x009, 0x7C20, 49), (0x019, 0x05DF, 48)])
def test_a_stuff_bit_may_follow_the_crc(identifier: int, crc: int, to_end_of_frame: int) -> None:
    """facts.md A2."""
    frame = Frame(identifier)
    assert crc15(frame) == crc
    assert exact_bits(frame) == to_end_of_frame + 3


def test_how_many_empty_frames_end_with_a_stuff_bit() -> None:
    """facts.md A2: 68 of the 2048; a stuff bit at the end is one that the last CRC bit brings about."""
    ends = 0
    for identifier in range(2048):
        bits = bit_serial.unstuffed(Frame(identifier))
        sequence = bits + bit_serial.crc(bits)
        without = len(bit_serial.stuffed(sequence[:-1])) + 1 + 13
        ends += exact_bits(Frame(identifier)) - without
    assert ends == 68


def test_bits_between_no_stuffing_and_the_attainable_maximum() -> None:
    """facts.md A5, over every identifier without data and with one byte of a selection."""
    limits = {int(row["bytes"]): (int(row["unstuffed"]), int(row["attainable"])) for row in table("frame_lengths")}
    lengths = [exact_bits(Frame(identifier)) for identifier in range(2048)]
    assert (min(lengths) - 1, max(lengths)) == limits[0]  # at least one stuff bit
    lengths = [exact_bits(Frame(identifier, bytes([byte]))) for identifier in range(2048) for byte in range(0, 256, 2)]
    assert max(lengths) == limits[1][1]
    assert min(lengths) >= limits[1][0] + 1


@given(identifiers(False), DATA)
def test_no_base_frame_exceeds_the_attainable_maximum(identifier: int, data: bytes) -> None:
    """facts.md A5."""
    row = table("frame_lengths")[len(data)]
    assert int(row["unstuffed"]) <= exact_bits(Frame(identifier, data)) <= int(row["attainable"])


@given(identifiers(True), DATA)
def test_no_extended_frame_exceeds_the_bound(identifier: int, data: bytes) -> None:
    """facts.md A4: (80 + 10 s) bits with a 29-bit identifier; A1: 67 + 8 s without stuff bits."""
    bits = exact_bits(Frame(identifier, data, extended=True))
    assert 67 + 8 * len(data) <= bits <= 80 + 10 * len(data)


@given(frames())
def test_agrees_with_the_bit_serial_method(frame: Frame) -> None:
    bits = bit_serial.unstuffed(frame)
    assert f"{crc15(frame):015b}" == bit_serial.crc(bits)
    assert exact_bits(frame) == len(bit_serial.wire(frame))


@given(frames())
def test_agrees_with_a_general_purpose_crc_library(frame: Frame) -> None:
    """
    crccheck 1.3.1, `Crc15Can`, and stuffing by regular expression.

    The initial value is 0, so zero bits in front, up to a whole byte, change nothing (facts.md A3).
    """
    bits = bit_serial.unstuffed(frame)
    padded = bits.zfill(-(-len(bits) // 8) * 8)
    value = Crc15Can.calc(int(padded, 2).to_bytes(len(padded) // 8, "big"))
    assert crc15(frame) == value
    assert exact_bits(frame) == len(bit_serial.stuffed_by_pattern(bits + f"{value:015b}")) + 13


def test_the_library_gives_the_catalogue_value() -> None:
    """facts.md A3: the check value of the catalogue, so that the library is the CRC of CAN."""
    assert Crc15Can.calc(b"123456789") == 0x059E


@given(frames(), frames())
def test_a_frame_is_as_long_the_second_time(frame: Frame, other: Frame) -> None:
    first = exact_bits(frame)
    exact_bits(other)
    assert exact_bits(frame._replace(t_ns=12_345)) == first


def test_no_more_than_a_bounded_number_of_lengths_is_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(framebits, "REMEMBERED", 10)
    framebits._known.clear()  # of what other tests left there
    framebits._heads.clear()
    for value in range(100):
        frame = Frame(value, bytes([value]))
        assert exact_bits(frame) == len(bit_serial.wire(frame))
        kept = len(framebits._known), len(framebits._heads)
        assert max(kept) <= 10


@pytest.mark.parametrize(
    ("frame", "complaint"),
    [
        (Frame(0x800), "identifier 0x800 does not fit into 11 bits"),
        (Frame(-1), "does not fit into 11 bits"),
        (Frame(1 << 29, extended=True), "identifier 0x20000000 does not fit into 29 bits"),
        (Frame(1, bytes(9)), "9 bytes in a frame, at most 8"),
        (Frame(1, b"\x01", remote=True), "1 bytes in a remote frame, which has none"),
    ],
)
def test_frames_that_cannot_be(frame: Frame, complaint: str) -> None:
    with pytest.raises(ValueError, match=complaint):
        exact_bits(frame)
    with pytest.raises(ValueError, match=complaint):
        crc15(frame)


@given(st.data(), st.booleans())
def test_where_two_frames_of_one_identifier_differ_first(data: st.DataObject, extended: bool) -> None:
    identifier = data.draw(identifiers(extended))
    one, other = (Frame(identifier, data.draw(DATA), extended) for _ in range(2))
    mine, theirs = bit_serial.wire(one), bit_serial.wire(other)
    if one == other:
        assert first_difference(one, other) is None
    else:
        place = next(index for index, (a, b) in enumerate(zip(mine, theirs, strict=False)) if a != b)
        assert first_difference(one, other) == (place + 1, mine[place] == "0")
