"""
Readings that no axis can have made.

practice.md P17, P36 (common practice, no source). What an axis can have gone is speed times time; the limits are those
of the demonstration machine (practice.md): the carriage 500 mm/s, tracking limit 2 mm, 8192/3 counts per mm.
"""

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from choreo.drive.families import make_drive
from choreo.frame import Frame
from choreo.run.axes import Axis
from choreo.run.watch.plausible import contradiction, jumped
from choreo.wire.described import shipped
from tests.drive.variants import compiled, numbered, text
from tests.run.machine import DEMO, plan_of

MS = 1_000_000
PER_MM = 8192 / 3
DIALECT = shipped("short_frame")
NUMBERED = compiled(numbered(text(name="numbered"), 4, echoed=True))


def carriage(*readings: tuple[float, int, int]) -> Axis:
    """Readings in mm, asked at, arrived at (ms)."""
    plan = plan_of(DEMO)
    chosen = next(axis for axis in plan.axes if axis.name == "carriage")
    axis = Axis(chosen, make_drive(DIALECT, chosen.node), 2**32)
    for mm, asked, arrived in readings:
        axis.accept(round(mm * PER_MM), asked * MS, arrived * MS)
    return axis


def position(mm: float, t_ms: int) -> Frame:
    """The carriage's reply (node 13): constant 0x92, 32 bits, little end first; the dialect file."""
    return Frame(0x120 + 13, b"\x92" + round(mm * PER_MM).to_bytes(4, "little", signed=True), t_ns=t_ms * MS)


@given(
    speed=st.floats(-750, 750), period=st.integers(5, 250), late=st.integers(0, 40), start=st.floats(-500_000, 500_000)
)
def test_no_motion_up_to_one_and_a_half_times_the_limit_is_a_jump(speed, period, late, start):
    """However late the readings are: an interval from the first request to the last reply is never too short."""
    first, second = (start, 0, late), (start + speed * (period + late) / 1000, period, period + late)
    assert jumped(carriage(first, second)) is None


@given(back=st.sampled_from((-1, 1)), far=st.floats(23, 100_000), period=st.integers(2, 20))
def test_what_is_farther_than_twice_the_limit_allows_is_one(back, far, period):
    """2 x 500 mm/s x 20 ms + 2 mm is 22 mm."""
    found = jumped(carriage((100, 0, 0), (100 + back * far, period - 1, period)))
    assert found is not None
    assert (found.rule, found.axis, found.node) == ("position-jump", "carriage", 13)


def test_a_reading_that_is_pushed_may_have_waited_as_long_as_a_reply():
    """Two that arrive 1 ms apart and were taken 20 ms apart at 500 mm/s are 10 mm apart; the reply may take 20 ms."""
    assert jumped(carriage((100, 0, 0), (110, 1, 1))) is None
    assert jumped(carriage((100, 0, 0), (200, 1, 1))) is not None


def test_a_jump_says_how_far_and_within_what_time():
    found = jumped(carriage((100, 0, 1), (150, 20, 21)))
    assert found is not None
    assert "50 mm within 21 ms" in found.headline


@pytest.mark.parametrize(("mm", "found"), [(100, False), (101.9, False), (110, False), (130, True), (-400, True)])
def test_an_answer_that_nobody_asked_for_is_held_against_the_last_reading(mm, found):
    """Nothing farther than 2 mm + 2 x 500 mm/s x 20 ms can come of the same axis 20 ms later."""
    axis = carriage((80, 0, 1), (100, 20, 21))
    fault = contradiction(axis, position(mm, 40))
    assert (fault is not None) == found
    if fault is not None:
        assert (fault.rule, fault.axis) == ("contradiction", "carriage")


def test_other_answers_contradict_nothing():
    axis = carriage((100, 0, 1))
    assert contradiction(axis, Frame(0x12D, b"\x91\x05", t_ns=MS)) is None  # an echo
    assert contradiction(axis, Frame(0x12D, b"\xee\x12\x04", t_ns=MS)) is None  # a data-error reply
    assert contradiction(carriage(), position(100, 1)) is None  # nothing was read yet


def test_a_counter_that_wraps_is_no_contradiction():
    half = Fraction(2**31)
    axis = carriage((float((half - 100) / Fraction(8192, 3)), 0, 1))
    frame = Frame(0x12D, b"\x92" + (-(2**31) + 50).to_bytes(4, "little", signed=True), t_ns=2 * MS)
    assert contradiction(axis, frame) is None


@given(count=st.integers(0, 15))
def test_an_answer_to_any_number_is_held_against_the_last_reading(count):
    """Where requests are numbered, another node's answer carries any number; the bytes: 4 bits of it behind 32."""
    axis = carriage((80, 0, 1), (100, 20, 21))
    axis.drive = make_drive(NUMBERED, 13)
    stray = position(-400, 40)
    fault = contradiction(axis, stray._replace(data=stray.data + bytes([count])))
    assert fault is not None
    assert (fault.rule, fault.axis) == ("contradiction", "carriage")
