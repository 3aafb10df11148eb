"""Frames as text, there and back."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from choreo.frame import Frame, frame_of
from sim.frames import frames


@given(frames())
def test_a_frame_comes_back_from_its_text(frame):
    assert frame_of(frame.text()) == frame


@pytest.mark.parametrize(
    ("text", "frame"),
    [
        ("14B#12", Frame(0x14B, b"\x12")),
        ("14b#92.00.10.ff", Frame(0x14B, b"\x92\x00\x10\xff")),
        ("14B#920010FF", Frame(0x14B, b"\x92\x00\x10\xff")),
        (" 7FF# ", Frame(0x7FF)),
        ("0000014B#12", Frame(0x14B, b"\x12", extended=True)),
        ("14B#R", Frame(0x14B, remote=True)),
    ],
)
def test_what_people_write(text, frame):
    assert frame_of(text) == frame


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "looks like"),
        ("14B", "looks like"),
        ("14B12", "looks like"),
        ("14B#1", "looks like"),
        ("14B#1.2", "looks like"),
        ("14B#12.", "looks like"),
        ("14B#12..34", "looks like"),
        ("1B#12", "looks like"),
        ("14B#١٢", "looks like"),
        ("14B#12\n#", "looks like"),
        ("800#12", "0x800 is beyond 0x7ff, the last of 11 bits"),
        ("20000000#12", "0x20000000 is beyond 0x1fffffff, the last of 29 bits"),
        ("14B#" + "00" * 9, "9 data bytes, and a CAN frame carries at most 8"),
        ("x" * 100_000, "looks like"),
    ],
)
def test_what_is_no_frame_is_refused_in_words(text, words):
    with pytest.raises(ValueError) as refused:
        frame_of(text)
    assert words in str(refused.value)
    assert len(str(refused.value)) < 200


@given(st.text(max_size=40))
def test_any_text_is_a_frame_or_refused(text):
    try:
        frame = frame_of(text)
    except ValueError:
        return
    assert frame_of(frame.text()) == frame
