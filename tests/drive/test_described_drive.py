"""The verbs of a described drive as scripts of frames; bytes by hand from the dialect files (100000 = 0x000186A0)."""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from choreo.drive.described import DescribedDrive
from choreo.drive.exchange import STATE_PAUSE_NS, STATE_POLLS
from choreo.drive.verbs import DriveEvent, Latch, Status
from choreo.errors import InternalError, MachineFault, RecipeError, RefusedByDrive
from choreo.frame import Frame
from choreo.wire.described import load_dialect, shipped, shipped_file
from choreo.wire.words import Setting
from drive.script import Lost, Script, rx, tx

LEFT = DescribedDrive(shipped("short_frame"), 11)  # asks on 0x14B, is answered on 0x12B
TERSE = DescribedDrive(load_dialect(Path(__file__).parent / "terse.yaml"), 3)

# Status frames of node 11: bits enabled 01, moving 02, homed 04, loaded 08, brake applied 10, in position 20.
ASK_STATUS = tx(0x14B, "13")


def says(bits, fault=0):
    return rx(0x12B, f"93 {bits:02X} {fault:02X}")


def test_what_a_drive_says_of_itself():
    assert (LEFT.node, LEFT.dialect, LEFT.lane, LEFT.event_ids) == (11, "short_frame", 0x12B, (0x06B,))
    assert LEFT.broadcast_starts
    assert LEFT.can_latch
    with pytest.raises(RecipeError, match="node 32 is outside the nodes of dialect short_frame, 1 to 31"):
        DescribedDrive(shipped("short_frame"), 32)


# Reading.


def test_a_position_is_read_in_one_exchange():
    talk = Script(tx(0x14B, "12"), rx(0x12B, "92 60 79 FE FF"))
    assert talk.run(LEFT.read_position()) == -100000
    assert talk.asks[0].lane == 0x12B
    assert talk.asks[0].again == 2


def test_polling_makes_no_new_request_each_time():
    assert LEFT.poll_position() is LEFT.poll_position()
    assert Script(tx(0x14B, "12"), rx(0x12B, "92 00 00 00 00")).ask(LEFT.poll_position()) == 0


@given(st.binary(max_size=8), st.integers(0, 0x7FF), st.booleans())
def test_only_a_position_of_this_node_is_a_position(data, identifier, extended):
    decode = LEFT.poll_position().decode
    frame = Frame(identifier, data, extended)
    theirs = identifier != 0x12B or extended
    if not theirs and len(data) == 3 and data[:2] == b"\xee\x12":
        with pytest.raises(RefusedByDrive):
            decode(frame)
    elif theirs or len(data) != 5 or data[0] != 0x92:
        assert decode(frame) is None
    else:
        assert decode(frame) == int.from_bytes(data[1:], "little", signed=True)


def test_a_lost_reply_is_asked_for_again():
    talk = Script(tx(0x14B, "12"), Lost(), tx(0x14B, "12"), Lost(), tx(0x14B, "12"), rx(0x12B, "92 01 00 00 00"))
    assert talk.run(LEFT.read_position()) == 1


def test_a_reply_to_another_request_is_left():
    talk = Script(
        tx(0x14B, "12"),
        rx(0x12B, "93 01 00"),  # a status
        rx(0x12B, "92 01 00 00"),  # too short
        rx(0x12C, "92 01 00 00 00"),  # another node
        rx(0x12B, "EE 42 01"),  # the refusal of a preload
        rx(0x12B, "92 02 00 00 00"),
    )
    assert talk.run(LEFT.read_position()) == 2
    assert len(talk.strays) == 4


def test_an_echo_counts():
    talk = Script(tx(0x14B, "11 2C"), rx(0x12B, "91 2B"), rx(0x12B, "91 2C"))
    assert talk.run(LEFT.echo(300)) == 300 % 256
    assert len(talk.strays) == 1
    assert talk.asks[0].again == 0  # a repetition would hide a loss


def test_an_echo_is_a_barrier_too():
    assert Script(tx(0x14B, "11 00"), rx(0x12B, "91 00")).ask(LEFT.echo_ask(256)) == 0


def test_status():
    talk = Script(ASK_STATUS, says(0b100101, fault=2))
    assert talk.run(LEFT.status()) == Status(
        enabled=True,
        moving=False,
        fault=2,
        homed=True,
        loaded=False,
        brake_applied=False,
        in_position=True,
        fault_text="overcurrent",
    )


def test_a_fault_that_the_dialect_does_not_explain():
    status = Script(ASK_STATUS, says(0, fault=99)).run(LEFT.status())
    assert status.fault == 99
    assert "does not explain" in status.fault_text


def test_inputs():
    inputs = Script(tx(0x14B, "14"), rx(0x12B, "94 0C")).run(LEFT.read_inputs())
    assert [name for name, on in inputs.items() if on] == ["home_switch", "input_1"]
    assert len(inputs) == 8


@pytest.mark.parametrize(
    ("reply", "latch"), [("A6 00 07 00 00 00", Latch(None)), ("A6 01 60 79 FE FF", Latch(-100000))]
)
def test_latch(reply, latch):
    Script(tx(0x14B, "25"), rx(0x12B, "A5")).run(LEFT.arm_latch())
    assert Script(tx(0x14B, "26"), rx(0x12B, reply)).run(LEFT.read_latch()) == latch


# Settings.


def test_a_setting_that_is_already_so_is_not_written():
    """practice.md P23 (common practice, no source): permanent memory wears."""
    Script(tx(0x14B, "21 01"), rx(0x12B, "A1 01 B0 04")).run(LEFT.write_setting(Setting.SPEED, 1200))


def test_a_setting_is_read_written_and_read_back():
    Script(
        tx(0x14B, "21 01"),
        rx(0x12B, "A1 02 B0 04"),  # of another setting: not counted
        rx(0x12B, "A1 01 2C 01"),
        tx(0x14B, "22 01 B0 04"),
        rx(0x12B, "A2 01 B0 04"),
        tx(0x14B, "21 01"),
        rx(0x12B, "A1 01 B0 04"),
    ).run(LEFT.write_setting(Setting.SPEED, 1200))


def test_a_setting_that_is_clipped_is_a_fault():
    talk = Script(
        tx(0x14B, "21 01"),
        rx(0x12B, "A1 01 2C 01"),
        tx(0x14B, "22 01 B0 04"),
        rx(0x12B, "A2 01 B0 04"),
        tx(0x14B, "21 01"),
        rx(0x12B, "A1 01 E8 03"),
    )
    with pytest.raises(MachineFault, match=r"node 11: speed reads back 1000 \(raw\); 1200 was written") as raised:
        talk.run(LEFT.write_setting(Setting.SPEED, 1200))
    assert raised.value.node == 11


def test_a_setting_that_is_answered_with_another_value_is_a_fault():
    talk = Script(tx(0x14B, "21 01"), rx(0x12B, "A1 01 2C 01"), tx(0x14B, "22 01 B0 04"), rx(0x12B, "A2 01 B1 04"))
    with pytest.raises(MachineFault, match="answered with value 1201; 1200 was sent"):
        talk.run(LEFT.write_setting(Setting.SPEED, 1200))


def test_a_refused_setting_names_node_value_and_meaning():
    talk = Script(tx(0x14B, "21 03"), rx(0x12B, "A1 03 01 00"), tx(0x14B, "22 03 10 27"), rx(0x12B, "EE 22 01"))
    with pytest.raises(RefusedByDrive) as raised:
        talk.run(LEFT.write_setting(Setting.JERK, 10000))
    assert raised.value.headline == "node 11 refused to set jerk to 10000 (raw): value out of range (error code 1)"
    assert raised.value.node == 11
    assert raised.value.rule == "refused-by-drive"


def test_an_error_code_without_meaning_is_named():
    with pytest.raises(RefusedByDrive, match=r"does not explain \(error code 200\)"):
        Script(tx(0x14B, "12"), rx(0x12B, "EE 12 C8")).run(LEFT.read_position())


def test_a_setting_that_the_dialect_does_not_have():
    with pytest.raises(RecipeError, match="dialect terse of node 3 has no setting jerk"):
        Script().run(TERSE.read_setting(Setting.JERK))


# States.


def test_enable_waits_until_the_drive_is_enabled():
    talk = Script(tx(0x14B, "31 01"), rx(0x12B, "B1 01"), ASK_STATUS, says(0x10), ASK_STATUS, says(0x11))
    talk.run(LEFT.enable())
    assert talk.paused_ns == STATE_PAUSE_NS


def test_enable_of_a_drive_in_fault():
    talk = Script(tx(0x14B, "31 01"), rx(0x12B, "B1 01"), ASK_STATUS, says(0x10, fault=5))
    with pytest.raises(MachineFault, match=r"instead of enabled: position feedback lost \(fault 5\)"):
        talk.run(LEFT.enable())


def test_enable_refused():
    with pytest.raises(RefusedByDrive, match="refused to enable: in fault"):
        Script(tx(0x14B, "31 01"), rx(0x12B, "EE 31 04")).run(LEFT.enable())


def test_a_drive_that_never_becomes_enabled():
    talk = Script(tx(0x14B, "31 01"), rx(0x12B, "B1 01"), *[ASK_STATUS, says(0x10)] * STATE_POLLS)
    with pytest.raises(MachineFault, match="not enabled after 400 looks over 2000 ms"):
        talk.run(LEFT.enable())
    assert talk.paused_ns == STATE_POLLS * STATE_PAUSE_NS


def test_disable_waits_until_the_drive_is_off_even_in_fault():
    Script(
        tx(0x14B, "31 00"), rx(0x12B, "B1 00"), ASK_STATUS, says(0x01, fault=1), ASK_STATUS, says(0x10, fault=1)
    ).run(LEFT.disable())


def test_the_answer_to_enable_is_none_to_disable():
    talk = Script(tx(0x14B, "31 00"), rx(0x12B, "B1 01"), rx(0x12B, "B1 00"), ASK_STATUS, says(0))
    talk.run(LEFT.disable())
    assert len(talk.strays) == 1


def test_brake():
    Script(tx(0x14B, "32 00"), rx(0x12B, "B2 00"), ASK_STATUS, says(0x11), ASK_STATUS, says(0x01)).run(
        LEFT.set_brake(False)
    )
    Script(tx(0x14B, "32 01"), rx(0x12B, "B2 01"), ASK_STATUS, says(0x10, fault=1)).run(LEFT.set_brake(True))


def test_a_brake_is_not_released_by_a_drive_in_fault():
    talk = Script(tx(0x14B, "32 00"), rx(0x12B, "B2 00"), ASK_STATUS, says(0x10, fault=2))
    with pytest.raises(MachineFault, match="instead of showing its brake released: overcurrent"):
        talk.run(LEFT.set_brake(False))


def test_a_fault_is_reset_once():
    talk = Script(tx(0x14B, "33"), rx(0x12B, "B3"), ASK_STATUS, says(0, fault=1), ASK_STATUS, says(0))
    talk.run(LEFT.reset_fault())
    assert talk.asks[0].again == 0


# Moves.


def test_preload_is_proved_by_its_answer():
    talk = Script(tx(0x14B, "42 A0 86 01 00 F0 00"), rx(0x12B, "C2 A0 86 01 00"))
    talk.run(LEFT.preload(100000, 240))
    assert talk.asks[0].again == 2  # absolute, and a second load takes the place of the first


def test_preload_of_another_target_than_was_sent():
    talk = Script(tx(0x14B, "42 A0 86 01 00 F0 00"), rx(0x12B, "C2 A1 86 01 00"))
    with pytest.raises(MachineFault, match="answered with target 100001; 100000 was sent") as raised:
        talk.run(LEFT.preload(100000, 240))
    assert (raised.value.node, raised.value.rule) == (11, "answer-differs")


def test_preload_refused():
    with pytest.raises(RefusedByDrive) as raised:
        Script(tx(0x14B, "42 A0 86 01 00 F0 00"), rx(0x12B, "EE 42 03")).run(LEFT.preload(100000, 240))
    assert raised.value.headline == (
        "node 11 refused to preload to 100000 counts at speed 240 (raw): not enabled (error code 3)"
    )


def test_move_and_clear_load():
    Script(tx(0x14B, "41 60 79 FE FF 0A 00"), rx(0x12B, "C1 60 79 FE FF")).run(LEFT.move(-100000, 10))
    Script(tx(0x14B, "43"), rx(0x12B, "C3")).run(LEFT.clear_load())


def test_home():
    Script(tx(0x14B, "27 66 66 FF FF"), rx(0x12B, "A7 66 66 FF FF")).run(LEFT.home_at(-39322))
    with pytest.raises(MachineFault, match="answered with edge -39321; -39322 was sent"):
        Script(tx(0x14B, "27 66 66 FF FF"), rx(0x12B, "A7 67 66 FF FF")).run(LEFT.home_at(-39322))


def test_a_target_that_the_wire_cannot_hold_is_a_bug_of_choreo():
    with pytest.raises(InternalError, match="node 11: preload: target 2147483648 is outside"):
        Script().run(LEFT.preload(1 << 31, 240))


# Broadcasts and stops.


@pytest.mark.parametrize(
    ("tell", "frame", "confirm"),
    [
        (LEFT.start(), "040#51", True),
        (LEFT.stop_all(), "020#61", False),
        (LEFT.quick_stop_all(), "020#62", False),
        (LEFT.stop(), "02B#61", False),
        (LEFT.quick_stop(), "02B#62", False),
        (TERSE.start(), "0015507F#", True),
        (TERSE.stop_all(), "0015507F#00", False),
        (TERSE.stop(), "0015507F#00", False),  # it has only the broadcast
        (TERSE.quick_stop(), "00155103#0B", False),
        (TERSE.quick_stop_all(), "00155103#0B", False),  # it has no broadcast
    ],
)
def test_single_frames(tell, frame, confirm):
    assert tell.frame.text() == frame
    assert tell.confirm is confirm


def test_power_is_cut_with_the_brake_first():
    assert [tell.frame.text() for tell in LEFT.cut_power()] == ["14B#32.01", "14B#31.00"]
    assert [tell.frame.text() for tell in TERSE.cut_power()] == ["00155103#07"]


# Events.


@pytest.mark.parametrize(
    ("frame", "event"),
    [
        (Frame(0x06B, b"\xf1\x01"), DriveEvent(11, "fault", 1, "following error")),
        (Frame(0x06B, b"\xf0"), DriveEvent(11, "boot", 0)),
        (Frame(0x06C, b"\xf0"), None),  # node 12
        (Frame(0x06B, b"\xf2"), None),
        (Frame(0x12B, b"\x93\x00\x00"), None),  # an answer is no event
        (Frame(0x14B, b"\x12"), None),
    ],
)
def test_events(frame, event):
    assert LEFT.decode_event(frame) == event


def test_events_that_carry_values(tmp_path):
    mine = tmp_path / "mine.yaml"
    mine.write_text(
        shipped_file("short_frame")
        .read_text("utf-8")
        .replace(
            "events:\n",
            "events:\n"
            "  position: {on: event, payload: [{constant: 0xF2}, {position: signed 32}]}\n"
            "  inputs: {on: event, payload: [{constant: 0xF3}, {bits: [-, guard, -, home_switch, -, -, -, spare]}]}\n"
            "  in_position: {on: event, payload: [{constant: 0xF4}]}\n",
        ),
        "utf-8",
    )
    drive = DescribedDrive(load_dialect(mine), 11)
    assert drive.decode_event(Frame(0x06B, bytes.fromhex("F2 60 79 FE FF"))) == DriveEvent(11, "position", -100000)
    bits = {"guard": 0, "home_switch": 1, "spare": 1}
    inputs = DriveEvent(
        11, "inputs", 0b110, "home_switch, spare", bits
    )  # packed in the order guard, home_switch, spare
    assert drive.decode_event(Frame(0x06B, bytes.fromhex("F3 88"))) == inputs
    assert drive.decode_event(Frame(0x06B, b"\xf4")) == DriveEvent(11, "in_position", 1)  # the state is reached


# The general path: a dialect that is as unlike the other as can be (terse.yaml).


def asks(data):
    return tx(0x0155103, data, extended=True)


def answers(data):
    return rx(0x0155103, data, extended=True)


def terse_status(bits):
    return answers(f"00 00 00 00 00 {bits:02X} 83")


def test_the_speed_setting_is_written_before_a_move_without_a_speed():
    talk = Script(
        asks("04 10"),
        answers("84 00 00 01 2C"),
        asks("05 10 00 00 00 F0"),  # not answered by this dialect
        asks("04 10"),
        answers("84 00 00 00 F0"),
        asks("09 01 86 A0"),
        answers("89"),
        asks("03"),
        terse_status(0x80),
        asks("03"),
        terse_status(0x81),  # received only: the status proves the load
    )
    talk.run(TERSE.preload(100000, 240))
    assert [ask.again for ask in talk.asks if ask.what.startswith("preload")] == [0]  # a second load is refused
    assert [tell.what for tell in talk.tells] == ["set speed to 240 (raw)"]


def test_a_speed_setting_that_fits_is_left_alone():
    Script(asks("04 10"), answers("84 00 00 00 F0"), asks("08 FF FF FE"), answers("88")).run(TERSE.move(-2, 240))


def test_commands_without_an_answer_are_proved_by_the_status():
    talk = Script(asks("06"), asks("03"), terse_status(0x00), asks("03"), terse_status(0x80))
    talk.run(TERSE.enable())
    assert [tell.what for tell in talk.tells] == ["enable"]


def test_a_clearing_that_is_only_accepted_is_proved_by_the_status():
    Script(asks("0A"), answers("8A"), asks("03"), terse_status(0x01), asks("03"), terse_status(0x00)).run(
        TERSE.clear_load()
    )


def test_a_position_that_comes_with_the_status():
    talk = Script(asks("03"), answers("FF FF FE 00 00 80 83"))
    assert talk.ask(TERSE.poll_position()) == -2


def test_an_error_reply_that_names_no_request_is_meant_for_the_one_that_is_out():
    with pytest.raises(RefusedByDrive, match="out of range"):
        Script(asks("04 10"), answers("FF 01 01")).run(TERSE.read_setting(Setting.SPEED))


def test_a_verb_that_the_dialect_does_not_describe():
    for verb in (TERSE.read_inputs, TERSE.arm_latch, TERSE.reset_fault, lambda: TERSE.set_brake(True)):
        with pytest.raises(RecipeError, match="dialect terse of node 3 has no message") as raised:
            Script().run(verb())
        assert raised.value.help.startswith("Describe ")


def test_a_fault_bit_is_a_fault():
    status = Script(asks("03"), terse_status(0x04)).run(TERSE.status())
    assert (status.fault, status.enabled, status.homed, status.brake_applied) == (1, False, None, None)


def test_terse_echoes_count_to_65535():
    assert Script(asks("01 00 01"), answers("81 00 01")).run(TERSE.echo(65537)) == 1
    assert TERSE.event_ids == ()
    assert TERSE.decode_event(Frame(0x0155103, b"\x89", extended=True)) is None
