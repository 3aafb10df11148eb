"""
Exact lengths and CRCs of the simulated bus against a second method that shares nothing with it: a general-purpose CRC
library over the zero-padded bits, and stuffing by regular expression on a string of bits. Source: facts.md A3, A7;
ISO 11898-1.
"""

import re

import pytest
from crccheck.crc import Crc15Can
from hypothesis import example, given
from hypothesis import strategies as st

from choreo.frame import Frame
from choreo.wire.lengths import longest_bits, shortest_bits
from choreo_sim.framebits import crc15, exact_bits
from vectors import table

TAIL_AND_INTERMISSION = 10 + 3  # facts.md A1

frames = st.one_of(
    st.tuples(st.integers(0, 0x7FF), st.binary(max_size=8)).map(lambda parts: Frame(*parts)),
    st.tuples(st.integers(0, (1 << 29) - 1), st.binary(max_size=8)).map(lambda parts: Frame(*parts, extended=True)),
)
# Few different bytes make long runs of equal bits, which random bytes hardly ever do.
runs = st.builds(
    lambda id, data: Frame(id, bytes(data)),
    st.sampled_from([0x000, 0x7FF, 0x01F, 0x03E, 0x03F, 0x7C0]),
    st.lists(st.sampled_from([0x00, 0xFF, 0x0F, 0xF0, 0xE1, 0x1E, 0x78, 0x87, 0xC1, 0x3C, 0x7C]), max_size=8),
)


def header(frame):
    """Bits from the start of frame to the last data bit, as text (facts.md A1)."""
    length = f"{len(frame.data):04b}"
    body = "".join(f"{byte:08b}" for byte in frame.data)
    rtr = "1" if frame.remote else "0"
    if frame.extended:
        identifier = f"{frame.id:029b}"
        return f"0{identifier[:11]}11{identifier[11:]}{rtr}00{length}{body}"
    return f"0{frame.id:011b}{rtr}00{length}{body}"


def crc_by_library(frame):
    """The initial value is 0, so zeros in front change nothing (facts.md A3)."""
    bits = header(frame)
    padded = bits.zfill(-(-len(bits) // 8) * 8)
    return Crc15Can.calc(int(padded, 2).to_bytes(len(padded) // 8, "big"))


def stuffed(bits):
    """A complementary bit after every five equal ones, the inserted bits counted (facts.md A2)."""
    wire = ""
    while run := re.match(r"(.*?)(00000|11111)", bits):
        last = run.group(2)[0]
        other = "1" if last == "0" else "0"
        wire += run.group()
        bits = other + bits[run.end() :]  # the inserted bit begins the next run, so it stays in front
    return wire + bits


def length_by_text(frame):
    return len(stuffed(f"{header(frame)}{crc_by_library(frame):015b}")) + TAIL_AND_INTERMISSION


def frame_of(row):
    frame = Frame(int(row["id"], 16), bytes.fromhex(row["data"]))
    assert len(frame.data) == int(row["dlc"])
    return frame


def test_the_library_gives_the_catalogue_s_check_value():
    """facts.md A3."""
    assert Crc15Can.calc(b"123456789") == 0x059E


@pytest.mark.parametrize("row", table("frames"), ids=lambda row: f"{row['id']}#{row['data']}")
def test_worked_frames(row):
    """facts.md A7: CRC, length, and on the side of the second method the places of the stuff bits too."""
    frame = frame_of(row)
    assert crc15(frame) == crc_by_library(frame) == int(row["crc"], 16)
    assert exact_bits(frame) == length_by_text(frame) == int(row["bits_with_intermission"])
    assert int(row["bits_to_end_of_frame"]) + 3 == int(row["bits_with_intermission"])
    assert exact_bits(frame) - shortest_bits(len(frame.data)) == int(row["stuff"]) == len(row["stuff_after"].split())


@pytest.mark.parametrize(("id", "crc", "stuff", "bits"), [(0x009, 0x7C20, 5, 49), (0x019, 0x05DF, 4, 48)])
def test_a_stuff_bit_may_follow_the_crc(id, crc, stuff, bits):
    """facts.md A2."""
    frame = Frame(id)
    assert crc15(frame) == crc_by_library(frame) == crc
    assert exact_bits(frame) == length_by_text(frame) == bits + 3 == shortest_bits(0) + stuff


def test_how_many_empty_frames_end_with_a_stuff_bit():
    """facts.md A2: 68 of the 2048; seen where five equal bits end the CRC on the wire. All lengths must agree."""
    trailing = 0
    for id in range(2048):
        frame = Frame(id)
        bits = f"{header(frame)}{crc_by_library(frame):015b}"
        trailing += len(stuffed(bits + "x")) > len(stuffed(bits[:-1] + "x")) + 1
        assert exact_bits(frame) == length_by_text(frame)
    assert trailing == 68


MOST = {  # facts.md A5, witnesses of the maximum
    0: (0x000, ""),
    1: (0x010, "EE"),
    2: (0x000, "7C3C"),
    3: (0x03F, "FE1078"),
    4: (0x03E, "107803FE"),
    5: (0x000, "7FEF87C1E1"),
    6: (0x03E, "0F0078787C1E"),
    7: (0x01F, "8787C1E1E1E1E1"),
    8: (0x000, "01E1E1E1E1E1E1E1"),
}
LEAST = {0: (0x084, ""), 1: (0x084, "09"), 4: (0x085, "21084212"), 8: (0x085, "4210842108421086")}  # facts.md A5


@pytest.mark.parametrize("row", table("frame_lengths"), ids=lambda row: f"{row['bytes']} bytes")
def test_the_longest_and_shortest_frames_that_exist(row):
    n = int(row["bytes"])
    id, data = MOST[n]
    longest = Frame(id, bytes.fromhex(data))
    assert exact_bits(longest) == length_by_text(longest) == int(row["attainable"]) <= longest_bits(n)
    assert exact_bits(longest) - shortest_bits(n) == int(row["attainable_stuff"])
    if n in LEAST:
        id, data = LEAST[n]
        shortest = Frame(id, bytes.fromhex(data))
        assert exact_bits(shortest) == length_by_text(shortest) == shortest_bits(n) + int(row["min_stuff"])


ATTAINABLE = {int(row["bytes"]): int(row["attainable"]) for row in table("frame_lengths")}


@given(frames | runs)
@example(Frame(0x1FFFFFFF, b"\xff" * 8, extended=True))
@example(Frame(0, b"\0" * 8, extended=True))
@example(Frame(0x0, b"\0" * 8, t_ns=5))
def test_any_frame(frame):
    n = len(frame.data)
    assert crc15(frame) == crc_by_library(frame)
    assert exact_bits(frame) == length_by_text(frame)
    assert shortest_bits(n, frame.extended) <= exact_bits(frame) <= longest_bits(n, frame.extended)
    if not frame.extended:
        assert exact_bits(frame) <= ATTAINABLE[n]


@given(st.integers(0, (1 << 29) - 1), st.booleans())
def test_remote_frames(id, extended):
    frame = Frame(id if extended else id & 0x7FF, extended=extended, remote=True)
    assert crc15(frame) == crc_by_library(frame)
    assert exact_bits(frame) == length_by_text(frame)


@pytest.mark.parametrize("frame", [Frame(0x800), Frame(-1), Frame(0, b"123456789"), Frame(1 << 29, extended=True)])
def test_frames_that_classical_can_does_not_have_are_refused(frame):
    with pytest.raises(ValueError):
        exact_bits(frame)
