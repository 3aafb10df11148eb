"""What a frame that is none of a dialect's nearly is."""

from pathlib import Path

import pytest
from crccheck.crc import Crc8SaeJ1850
from hypothesis import given
from hypothesis import strategies as st

from choreo.frame import frame_of
from choreo.wire.described import load_dialect, shipped
from choreo.wire.described.asking.nearly import near_misses, whereabouts

ROOT = Path(__file__).parents[4]
SHORT = shipped("short_frame")
INDEX = load_dialect(ROOT / "recipes" / "index_table" / "index_drive.yaml")


@pytest.mark.parametrize(
    ("dialect", "text", "first"),
    [
        (SHORT, "14B#12.00", "nearly the request read_position: it has 2 data bytes, and that frame has 1"),
        (SHORT, "14B#", None),
        (SHORT, "12B#92.00", "nearly the reply to read_position: it has 2 data bytes, and that frame has 5"),
        (SHORT, "0CB#12", "nearly the request read_position: identifier 0CB is none of its identifiers (141 to 15F)"),
        (SHORT, "06B#F1", "nearly the event fault: it has 1 data byte, and that frame has 2"),
        (SHORT, "12B#EE.42", "nearly the error reply: it has 2 data bytes, and that frame has 3"),
        (SHORT, "14B#34.01.02.03", "nearly the request set_output: it has 4 data bytes, and that frame has 3"),
        (INDEX, "180B4D01#0D.4A.8F", "nearly the request echo: its field count is 4A: no bcd number"),
        (
            INDEX,
            "180B4D01#70.80.00.00.08.5D",
            "nearly the request move: its field target is 80 00 00: no sign_magnitude",
        ),
        (INDEX, "04FF4D01#C3.5B", "nearly the request start: bytes 0-1 is C35B, and that frame has C35A"),
    ],
)
def test_the_nearest_comes_first(dialect, text, first):
    misses = near_misses(dialect, frame_of(text))
    if first is None:
        assert misses == []
    else:
        assert misses[0].text.startswith(first)


def test_the_checksum_that_would_be_right():
    check = Crc8SaeJ1850.calc(bytes.fromhex("180B4D01 10"))
    (miss, *_) = near_misses(INDEX, frame_of("180B4D01#10.00"))
    assert miss.text == f"nearly the request read_position: its checksum is 00, and {check:02X} would be right"


def test_against_one_frame_alone_everything_is_told():
    shape = SHORT.frames.replies["read_position"]
    (miss,) = near_misses(SHORT, frame_of("14B#12"), only=shape)
    assert "identifier 14B is none of its identifiers" in miss.text or "would be node" in miss.text
    assert "1 data byte, and that frame has 5" in miss.text
    assert "byte 0 is 12, and that frame has 92" in miss.text


def test_whereabouts():
    assert whereabouts(SHORT, frame_of("7FF#")) == "identifier 7FF is none of the dialect's"
    assert whereabouts(SHORT, frame_of("020#99")) == (
        "identifier 020 is that of all nodes for request stop, request quick_stop; its data are none of theirs"
    )


@pytest.mark.parametrize("dialect", [SHORT, INDEX], ids=lambda dialect: dialect.name)
@given(
    identifier=st.integers(0, (1 << 29) - 1) | st.integers(0, 0x7FF),
    data=st.binary(max_size=8),
    extended=st.booleans(),
    remote=st.booleans(),
)
def test_anything_can_be_asked_about(dialect, identifier, data, extended, remote):
    frame = frame_of(f"{identifier & (0x1FFFFFFF if extended else 0x7FF):0{8 if extended else 3}X}#{data.hex()}")
    frame = frame._replace(remote=remote, data=b"" if remote else data)
    misses = near_misses(dialect, frame)
    assert len(misses) <= 3
    assert [miss.distance for miss in misses] == sorted(miss.distance for miss in misses)
    if dialect.find(frame) is not None:
        return
    assert all(miss.distance for miss in misses)
    assert whereabouts(dialect, frame)
