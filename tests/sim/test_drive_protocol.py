"""What a drive of the short-frame dialect answers, byte by byte, and what it refuses."""

import struct
from dataclasses import replace

import pytest

from choreo.frame import Frame

from .bench import (
    BRAKE_APPLIED,
    ENABLED,
    HOMED,
    HORIZONTAL,
    IN_POSITION,
    LOADED,
    MOVING,
    MS,
    PER_MM,
    RUN_SETTINGS,
    SECOND,
    SPEED,
    VERTICAL,
    Bench,
    cruising,
)

OUT_OF_RANGE, UNKNOWN, NOT_ENABLED, IN_FAULT, STILL_MOVING, NO_EDGE, BRAKE = range(1, 8)


def error(selector: int, code: int) -> str:
    return f"EE {selector:02X} {code:02X}"


def test_plain_exchanges():
    bench = Bench()
    assert bench.ask("11 FF") == "91 FF"
    assert bench.ask("12") == "92 70 2F FC FF"  # -250000
    assert bench.ask("13") == "93 00 00"
    assert bench.ask("14") == "94 00"
    assert bench.ask("21 01") == "A1 01 B0 04"  # 1200
    assert bench.ask("25") == "A5"
    assert bench.ask("26") == "A6 00 00 00 00 00"
    assert bench.ask("43") == "C3"
    assert bench.ask("33") == "B3"


@pytest.mark.parametrize("request_bytes", ["99", "11", "11 01 02", "31 07", "12 00", "42 00 00"])
def test_what_it_does_not_know_is_answered_with_an_error(request_bytes):
    selector = int(request_bytes[:2], 16)
    assert Bench().ask(request_bytes) == error(selector, UNKNOWN)


def test_an_empty_request_is_answered_too():
    assert Bench().ask("") == error(0, UNKNOWN)


@pytest.mark.parametrize(
    "frame",
    [
        Frame(0x140, bytes.fromhex("12")),  # nobody's node
        Frame(0x14C, bytes.fromhex("12")),  # another node
        Frame(0x04B, b"\x51"),  # a start is for all or for nobody
        Frame(0x14B, bytes.fromhex("12"), extended=True),
        Frame(0x14B, b"", remote=True),
        Frame(0x020, b"\x63"),  # stops are not answered, wrong ones neither
    ],
)
def test_what_is_not_meant_for_it_is_not_answered(frame):
    bench = Bench()
    bench.host.send(frame)
    bench.wait(20 * MS)
    assert bench.heard == []


def test_answers_come_within_the_time_of_the_dialect_and_one_after_the_other():
    bench = Bench()
    asked = []
    for count in range(40):
        bench.send(0x14B, bytes([0x11, count]))
        asked.append(bench.now)
        bench.wait(3 * MS)
    assert [frame.data[1] for _, frame in bench.heard] == list(range(40))
    wire = 2 * 63 * 1000  # no echo reply is longer than 63 bits of 2 µs (facts.md A4 bound, two data bytes)
    took = [heard - sent for (heard, _), sent in zip(bench.heard, asked, strict=True)]
    assert all(300_000 < ns <= 900_000 + wire for ns in took)
    assert max(took) - min(took) > 300_000


def test_requests_that_come_together_are_answered_in_order():
    bench = Bench()
    for count in range(5):
        bench.host.send(Frame(0x14B, bytes([0x11, count])))
    bench.wait(10 * MS)
    assert [frame.data[1] for _, frame in bench.heard] == list(range(5))


def test_settings_are_written_and_read_back():
    bench = Bench()
    assert bench.write("acceleration", 960) == "A2 02 C0 03"
    assert bench.ask("21 02") == "A1 02 C0 03"
    assert bench.ask("21 09") == error(0x21, UNKNOWN)
    assert bench.ask("22 09 01 00") == error(0x22, UNKNOWN)


@pytest.mark.parametrize(("name", "value"), [("speed", 0), ("torque_limit", 0), ("torque_limit", 101)])
def test_a_setting_out_of_range_is_refused_and_not_clipped(name, value):
    """practice.md P37 (common practice, no source)."""
    bench = Bench()
    before = dict(bench.drives[11].servo.settings)
    assert bench.write(name, value) == error(0x22, OUT_OF_RANGE)
    assert bench.drives[11].servo.settings == before


def test_settings_are_not_written_while_it_moves():
    bench = cruising()
    assert bench.write("acceleration", 100) == error(0x22, STILL_MOVING)


def test_a_move_needs_power_no_fault_and_a_speed_within_the_ceiling():
    bench = Bench()
    target = bench.position() + 1000
    assert bench.move(target) == error(0x41, NOT_ENABLED)
    bench.enable()
    assert bench.move(target, 0) == error(0x41, OUT_OF_RANGE)
    assert bench.move(target, SPEED + 1) == error(0x41, OUT_OF_RANGE)
    assert bench.move(target, SPEED) == "C1 " + struct.pack("<i", target).hex(" ").upper()
    bench.wait(SECOND)
    assert bench.position() == target


def test_no_ceiling_is_a_special_value_that_only_the_factory_sets():
    bench = Bench(replace(HORIZONTAL, settings={**RUN_SETTINGS, "speed": 0}))
    bench.enable()
    assert bench.move(bench.position() + 1000, 65535).startswith("C1")


def test_the_status_follows_the_drive():
    bench = Bench()
    assert bench.status() == (0, 0)
    bench.enable()
    assert bench.status() == (ENABLED | IN_POSITION, 0)
    bench.preload(bench.position() + round(10 * PER_MM))
    assert bench.status() == (ENABLED | IN_POSITION | LOADED, 0)
    bench.start()
    assert bench.status() == (ENABLED | MOVING, 0)
    bench.wait(SECOND)
    assert bench.status() == (ENABLED | IN_POSITION, 0)
    assert bench.ask("31 00") == "B1 00"
    assert bench.status() == (0, 0)


def test_an_accepted_move_shows_as_moving_before_it_begins():
    """The drive starts at its next cycle; a host that asks at once must not take it for finished."""
    bench = Bench()
    bench.enable()
    target = bench.position() + 1000
    bench.host.send(Frame(0x14B, struct.pack("<BiH", 0x41, target, SPEED)))
    bench.host.send(Frame(0x14B, b"\x13"))
    bench.wait(5 * MS)
    assert bench.heard[-1][1].data[1] & MOVING


def test_the_brake_refuses_motion_and_wants_power_to_open():
    bench = Bench(VERTICAL)
    assert bench.status(14) == (BRAKE_APPLIED, 0)
    assert bench.ask("32 00", 14) == error(0x32, NOT_ENABLED)
    bench.enable(14)
    assert bench.move(bench.position(14) + 1000, node=14) == error(0x41, BRAKE)
    assert bench.ask("32 00", 14) == "B2 00"
    assert bench.status(14)[0] & BRAKE_APPLIED  # it takes its 40 ms
    bench.wait(40 * MS)
    assert not bench.status(14)[0] & BRAKE_APPLIED
    assert bench.move(bench.position(14) + 1000, node=14).startswith("C1")
    assert bench.ask("32 01", 14) == "B2 01"


def test_a_drive_without_a_brake_takes_the_brake_commands_and_has_none():
    bench = Bench()
    bench.enable()
    assert bench.ask("32 01") == "B2 01"
    bench.wait(SECOND)
    assert not bench.status()[0] & BRAKE_APPLIED


def test_homing_declares_where_the_captured_edge_lies_and_saying_it_twice_changes_nothing():
    bench = Bench(replace(HORIZONTAL, inverted=True, encoder_at_power_up=123_456, start=HORIZONTAL.home[0].edge + 10))
    bench.enable()
    assert bench.ask("27 00 00 00 00") == error(0x27, NO_EDGE)
    assert bench.ask("14") == "94 00"
    bench.ask("25")
    before = bench.position()
    bench.move(before + round(12 * PER_MM))  # inverted: towards the switch at 10 mm in the negative direction
    assert bench.ask("27 00 00 00 00") == error(0x27, STILL_MOVING)
    bench.wait(2 * SECOND)
    assert bench.ask("14") == "94 04"
    reply = bytes.fromhex(bench.ask("26"))
    edge = struct.unpack("<i", reply[2:])[0]
    assert (reply[0], reply[1]) == (0xA6, 1)
    assert edge == 123_456 + round(10 * PER_MM)
    for _ in range(2):
        assert bench.ask(struct.pack("<Bi", 0x27, 39_322)) == "A7 9A 99 00 00"  # -8 mm, inverted
        assert bench.position() == 39_322 + (before + round(12 * PER_MM) - edge)
        assert struct.unpack("<i", bytes.fromhex(bench.ask("26"))[2:])[0] == 39_322
    assert bench.status()[0] & HOMED


def test_arming_forgets_the_edge_and_the_drive_captures_in_either_direction():
    bench = Bench(replace(HORIZONTAL, start=HORIZONTAL.home[0].edge + 5))
    bench.enable()
    bench.ask("25")
    for there in (bench.position() - round(8 * PER_MM), bench.position()):
        bench.move(there)
        bench.wait(2 * SECOND)
        assert bench.ask("26").startswith("A6 01")
        bench.ask("25")
        assert bench.ask("26") == "A6 00 00 00 00 00"


def test_positions_wrap_like_the_counter_that_they_are():
    bench = Bench(replace(HORIZONTAL, encoder_at_power_up=(1 << 31) - 1000))
    bench.enable()
    bench.move((1 << 31) - 1)
    bench.wait(SECOND)
    assert bench.position() == (1 << 31) - 1
    assert Bench(replace(HORIZONTAL, encoder_at_power_up=1 << 31)).position() == -(1 << 31)


def test_noise_is_symmetric_bounded_and_the_same_every_time():
    truth = replace(HORIZONTAL, noise_counts=4)
    bench = Bench(truth, seed=5)
    readings = [bench.drives[11].servo.reading(0) for _ in range(2000)]
    again = Bench(truth, seed=5)
    assert readings == [again.drives[11].servo.reading(0) for _ in range(2000)]
    other = Bench(truth, seed=6)
    assert readings != [other.drives[11].servo.reading(0) for _ in range(2000)]
    off = [reading + 250_000 for reading in readings]
    assert set(off) == {-2, -1, 0, 1, 2}
    assert abs(sum(off)) < 200  # 2000 draws of variance 2: three sigma are 190


def test_a_reset_wants_standstill():
    assert cruising().ask("33") == error(0x33, STILL_MOVING)
