"""Inputs read for watching them, outputs switched, as scripts of frames; bytes by hand from the dialect file."""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from choreo.drive.conversation import Ask
from choreo.drive.described import DescribedDrive
from choreo.errors import MachineFault, RecipeError, RefusedByDrive
from choreo.wire.cia402.dialect import CIA402
from choreo.wire.described import load_dialect, shipped, shipped_file
from choreo.wire.words import MOTION, FrameClass
from drive.script import Script, rx, tx

DRIVE = DescribedDrive(shipped("short_frame"), 13)  # asks on 0x14D, is answered on 0x12D


@given(st.integers(0, 255))
def test_every_byte_of_bits_is_read_least_significant_first(byte):
    ask = DRIVE.poll_inputs()
    assert isinstance(ask, Ask)
    levels = Script(tx(0x14D, "14"), rx(0x12D, f"94 {byte:02X}")).ask(ask)
    names = ["negative_limit", "positive_limit", "home_switch", "input_1", "input_2", "input_3", "input_4", "input_5"]
    assert levels == {name: byte >> place & 1 for place, name in enumerate(names)}


def test_reading_may_be_asked_again_and_is_refused_like_every_read():
    ask = DRIVE.poll_inputs()
    assert ask.again == 2
    with pytest.raises(RefusedByDrive, match="unknown command"):
        Script(tx(0x14D, "14"), rx(0x12D, "EE 14 02")).ask(ask)


@pytest.mark.parametrize(("on", "byte"), [(True, "01"), (False, "00")])
def test_an_output_is_switched_by_its_number(on, byte):
    talk = Script(tx(0x14D, f"34 02 {byte}"), rx(0x12D, f"B4 02 {byte}"))
    talk.run(DRIVE.set_output(2, on))
    assert talk.asks[0].what == f"set output 2 {'on' if on else 'off'}"


def test_the_answer_for_another_output_is_none_and_another_level_is_a_fault():
    talk = Script(tx(0x14D, "34 02 01"), rx(0x12D, "B4 03 01"), rx(0x12D, "B4 02 00"))
    with pytest.raises(MachineFault, match="on 0; 1 was sent"):
        talk.run(DRIVE.set_output(2, True))


def test_an_output_that_is_refused_says_why():
    talk = Script(tx(0x14D, "34 09 01"), rx(0x12D, "EE 34 01"))
    with pytest.raises(RefusedByDrive, match="value out of range"):
        talk.run(DRIVE.set_output(9, True))


def test_an_output_may_move_something():
    """Practice.md P17 (common practice, no source): nothing that may move anything leaves after a stop."""
    assert shipped("short_frame").class_of("set_output") is FrameClass.SWITCHES
    assert FrameClass.SWITCHES in MOTION


def test_a_dialect_says_what_it_can_read_and_switch(tmp_path: Path):
    dialect = shipped("short_frame")
    assert dialect.input_bytes == (1, 2)
    assert dialect.output_range == (0, 255)
    assert (CIA402.input_names, CIA402.input_bytes, CIA402.output_range) == ((), (0, 0), None)
    text = shipped_file("short_frame").read_text(encoding="utf-8")
    begin, end = text.index("  set_output:"), text.index("  move:  ")
    path = tmp_path / "without.yaml"
    path.write_text(text[:begin] + text[end:], encoding="utf-8")
    without = load_dialect(path)
    assert without.output_range is None
    with pytest.raises(RecipeError, match="no message set_output"):
        next(DescribedDrive(without, 13).set_output(1, True))


def test_what_is_told_unasked_holds_the_bits_by_name(tmp_path: Path):
    text = shipped_file("short_frame").read_text(encoding="utf-8")
    bits = "{bits: [-, home_switch, input_1, -, -, -, -, -]}"
    said = f"events:\n  inputs: {{on: event, payload: [{{constant: 0xF2}}, {bits}]}}\n"
    path = tmp_path / "telling.yaml"
    path.write_text(text.replace("events:\n", said), encoding="utf-8")
    drive = DescribedDrive(load_dialect(path), 13)
    event = drive.decode_event(rx(0x06D, "F2 04").frame)
    assert event is not None
    assert (event.kind, dict(event.inputs), event.text) == ("inputs", {"home_switch": 0, "input_1": 1}, "input_1")
