"""
What a drive does with the parts of the dialect language beyond the sample dialect: sections left out, verbs of several
frames, counters, checksums, times in which nothing may be sent. Bytes are worked by hand from `dialects.py`.
"""

import struct
from dataclasses import replace

import pytest

from choreo.frame import Frame

from .bench import ENABLED, HORIZONTAL, LOADED, MOVING, MS, PER_MM, SECOND
from .dialects import MESSAGES, TRUTH, Talk, small

REFUSALS = {
    "error_reply": "{on: say, payload: [{constant: 0xEE}, {refused: unsigned 8}, {error: unsigned 8}]}",
    "errors": "{1: value out of range, 2: unknown command or setting, 3: not enabled, 4: a load is held already,"
    " 5: frame out of turn}",
}


def position(talk: Talk) -> int:
    (reply,) = talk.say("02")
    assert reply.startswith("300: 02 ")
    return struct.unpack(">i", bytes.fromhex(reply[8:]))[0]


def flags(talk: Talk) -> int:
    (reply,) = talk.say("03")
    return bytes.fromhex(reply[5:])[1]


def target(counts: int) -> str:
    return struct.pack(">i", counts).hex()


# Sections that may be left out.


def test_a_drive_without_error_replies_says_nothing_to_what_it_refuses():
    talk = Talk(small())
    assert talk.say("07") == ["300: 07"]
    assert talk.say("09" + target(0)) == []  # a load without power
    assert talk.say("55") == []
    assert talk.say("01") == []


def test_a_drive_with_them_says_why():
    talk = Talk(small(**REFUSALS))
    assert talk.say("09" + target(0)) == ["300: EE 09 03"]
    assert talk.say("55") == ["300: EE 55 02"]
    assert talk.say("05 01 00 00 00 00") == ["300: EE 05 01"]  # speed 0


def test_a_load_without_a_speed_runs_with_the_setting_of_the_moment_of_its_start():
    talk = Talk(small())
    talk.say("06")
    assert talk.say("09" + target(1000 + round(300 * PER_MM))) == ["300: 09"]
    talk.say("05 01" + (600).to_bytes(4, "big").hex())
    talk.say("0B", base=0x020, node=0)
    talk.wait(SECOND)
    assert talk.servo.mechanics.speed(talk.now) == pytest.approx(600 * 1024, rel=1e-6)


def test_the_speed_of_a_load_may_have_a_scale_of_its_own():
    loads = "{class: loads, request: {on: ask, payload: [{constant: 9}, {target: signed 32}, {speed: unsigned 8}]}}"
    table = "{table: {0: 100000 counts/s, 1: 300000 counts/s, 2: 3000000 counts/s}}"
    talk = Talk(small({"preload": loads}, move_speed=table, **REFUSALS))
    talk.say("06")
    talk.say("09" + target(1000 + round(300 * PER_MM)) + "01")
    talk.say("0B", base=0x020, node=0)
    talk.wait(SECOND)
    assert talk.servo.mechanics.speed(talk.now) == pytest.approx(300_000, rel=1e-6)
    talk.say("09" + target(0) + "03")  # no such code
    talk.say("09" + target(0) + "02")  # above the ceiling of 1200 * 1024
    assert not flags(talk) & LOADED


def test_fields_of_64_bits_and_bits_that_nobody_looks_at():
    wide = "{class: loads, request: {on: ask, payload: [{ignored: 4}, {constant: 9, bits: 4}, {target: signed 56}]}}"
    talk = Talk(small({"preload": wide}))
    talk.say("06")
    talk.say("A9" + (5000).to_bytes(7, "big", signed=True).hex())
    talk.say("0B", base=0x020, node=0)
    talk.wait(SECOND)
    assert position(talk) == 5000
    talk.say("09" + (-5000).to_bytes(7, "big", signed=True).hex())
    talk.say("0B", base=0x020, node=0)
    talk.wait(SECOND)
    assert position(talk) == -5000


def test_a_dialect_without_a_broadcast_number_starts_each_drive_by_itself():
    alone = {
        name: text.replace("broadcast: only, ", "").replace("broadcast: allowed, ", "")
        for name, text in MESSAGES.items()
    }
    talk = Talk(small(alone, nodes="{from: 1, to: 15}"))
    talk.say("06")
    talk.say("09" + target(3000))
    assert talk.say("0B", base=0x020, node=0) == []
    talk.wait(SECOND)
    assert position(talk) == 1000
    talk.say("0B", base=0x020)
    talk.wait(SECOND)
    assert position(talk) == 3000


def test_a_position_field_that_is_narrow_wraps_and_targets_are_meant_in_what_it_says():
    narrow = MESSAGES["read_position"].replace("signed 32", "signed 24")
    talk = Talk(small({"read_position": narrow}), replace(TRUTH, encoder_at_power_up=(1 << 24) + 77))
    assert talk.say("02") == ["300: 02 00 00 4D"]
    talk.say("06")
    talk.say("08" + target(1077))
    talk.wait(SECOND)
    assert talk.say("02") == ["300: 02 00 04 35"]
    assert talk.mm() == pytest.approx(500 + 1000 / PER_MM, abs=1e-3)


def test_a_coded_state_says_most_of_what_is_so():
    status = (
        "{class: neutral, request: {on: ask, payload: [{constant: 3}]}, reply: {on: say,"
        " payload: [{constant: 3}, {state: unsigned 8}, {fault: unsigned 8}]}}"
    )
    talk = Talk(small({"status": status}, states="{0: [], 3: [enabled], 7: [enabled, moving], 9: []}"))
    assert talk.say("03") == ["300: 03 00 00"]
    talk.say("06")
    assert talk.say("03") == ["300: 03 03 00"]
    talk.say("08" + target(500_000))
    assert talk.say("03") == ["300: 03 07 00"]


def test_a_position_may_be_the_demanded_one():
    """practice.md P11 (common practice, no source): 8 ms of lag are 2 mm at 250 mm/s."""
    ends = {}
    for kind in ("actual", "demanded"):
        talk = Talk(small(position=f"{{is: {kind}, message: read_position}}"), replace(TRUTH, lag_ns=8 * MS))
        talk.say("06")
        talk.say("08" + target(round(1000 * PER_MM)))
        talk.wait(2 * SECOND)
        ends[kind] = position(talk)
    assert (ends["demanded"] - ends["actual"]) / PER_MM == pytest.approx(2.0, abs=0.01)


# Settings.


def test_what_says_what_a_count_is_can_be_read_and_not_be_written():
    talk = Talk(
        small(scale_settings="{counts_per_motor_rev: {number: 40, unit: 1 counts}}", **REFUSALS),
        replace(TRUTH, settings={**TRUTH.settings, "counts_per_motor_rev": 65536}),
    )
    assert talk.say("04 28") == ["300: 04 00 01 00 00"]
    assert talk.say("05 28 00 00 00 01") == ["300: EE 05 02"]


def test_permanent_settings_survive_the_loss_of_the_supply_and_wear():
    """practice.md P23 (common practice, no source)."""
    talk = Talk(small(permanent_settings="[acceleration]"))
    for number in (2, 2, 3):
        talk.say(f"05 {number:02X} 00 00 10 00")
    talk.drive.boot()
    assert talk.say("04 02") == ["300: 04 00 00 10 00"]
    assert talk.say("04 03") == ["300: 04 00 E1 00 00"]  # 14,745,600, as the machine file says
    assert talk.servo.stored == {"acceleration": 2}


def test_a_drive_is_delivered_slow_in_whatever_scale_its_dialect_has():
    dialect = small(
        settings="{speed: {number: 1, polynomial: [0 counts/s, 0 counts/s, 3 counts/s], from: 1, to: 255},"
        " acceleration: {number: 2, reciprocal: 40000000 counts/s^2, from: 20, to: 4000},"
        " quick_stop: {number: 3, table: {0: 250000 counts/s^2, 1: 4000000 counts/s^2, 2: 9000000 counts/s^2}}}"
    )
    talk = Talk(dialect, HORIZONTAL)
    talk.servo.settings.clear()
    talk.servo.mechanics.truth = replace(HORIZONTAL, settings={})
    talk.drive.boot()
    # 65536 counts/s: 3 * 147^2 is 64827; 262144 counts/s^2: 40e6/153 is 261438; 4194304 counts/s^2: 4000000
    assert talk.servo.settings == {"speed": 147, "acceleration": 153, "quick_stop": 1}
    assert talk.servo.meaning("speed") == 64827


# Verbs of several frames.

SERIES = {
    "preload": "{class: loads, frames: ["
    "{request: {on: ask, payload: [{constant: 9}, {constant: 1}, {target: signed 32}]},"
    " reply: {on: say, payload: [{constant: 9}, {constant: 1}]}},"
    "{request: {on: ask, payload: [{constant: 9}, {constant: 2}, {speed: unsigned 32}]},"
    " reply: {on: say, payload: [{constant: 9}, {constant: 2}]}}],"
    " gap: 2 ms, within: 60 ms, abort: clear_load}",
}


def in_series(**sections: str) -> Talk:
    talk = Talk(small(SERIES, move_speed="{setting: speed}", **REFUSALS, **sections))
    talk.say("06")
    return talk


SPEED_200 = (200).to_bytes(4, "big").hex()


def test_nothing_is_held_before_all_frames_of_a_load_have_come():
    talk = in_series()
    assert talk.say("09 01" + target(4000)) == ["300: 09 01"]
    assert not flags(talk) & LOADED
    assert talk.say("09 02" + SPEED_200) == ["300: 09 02"]
    assert flags(talk) & LOADED
    talk.say("0B", base=0x020, node=0)
    talk.wait(SECOND)
    assert position(talk) == 4000
    assert talk.broken() == []


def test_a_frame_out_of_turn_is_refused_and_begins_everything_anew():
    talk = in_series()
    assert talk.say("09 02" + SPEED_200) == ["300: EE 09 05"]
    talk.say("09 01" + target(4000))
    assert talk.say("09 01" + target(5000)) == ["300: 09 01"]  # the first may come again
    talk.say("09 02" + SPEED_200)
    assert talk.servo.load.held[0].target == 5000
    assert talk.say("09 02" + SPEED_200) == ["300: EE 09 05"]
    assert len(talk.servo.load.held) == 1


def test_the_message_that_undoes_a_part_undoes_it():
    talk = in_series()
    talk.say("09 01" + target(4000))
    assert talk.say("0A") == ["300: 0A"]
    assert talk.say("09 02" + SPEED_200) == ["300: EE 09 05"]


def test_other_messages_may_come_in_between():
    talk = in_series()
    talk.say("09 01" + target(4000))
    assert talk.say("01 07") == ["300: 01 07"]
    assert talk.say("09 02" + SPEED_200) == ["300: 09 02"]
    assert flags(talk) & LOADED


def test_frames_that_take_too_long_are_refused():
    talk = in_series()
    talk.say("09 01" + target(4000), wait=59 * MS)
    talk.wait(2 * MS)
    assert talk.say("09 02" + SPEED_200) == ["300: EE 09 05"]


def test_the_next_frame_is_missed_when_it_comes_before_the_gap_after_the_reply_is_over():
    talk = in_series()
    talk.send(0x20B, bytes.fromhex("09 01" + target(4000)))
    while not talk.heard or talk.told()[-1] != "300: 09 01":
        talk.kernel.step()
    assert talk.say("09 02" + SPEED_200) == []
    (what,) = talk.broken()
    assert what.startswith("axis was sent preload ")
    assert what.endswith(" ms too soon: the gap between the frames of preload")
    early = float(what.split()[4])
    # 2 ms less the frame itself: 6 bytes are 44 + 48 bits and at most 20 stuff bits of 2 µs (facts.md A4, A5)
    assert 2 - 0.224 <= early <= 2 - 0.184
    assert talk.say("09 02" + SPEED_200) == ["300: 09 02"]


def test_a_last_frame_that_is_refused_leaves_nothing():
    talk = in_series()
    talk.say("07")
    assert talk.say("09 01" + target(4000)) == ["300: 09 01"]
    assert talk.say("09 02" + SPEED_200) == ["300: EE 09 03"]
    assert talk.say("09 02" + SPEED_200) == ["300: EE 09 05"]


def test_a_reading_may_take_several_frames_too():
    setting = (
        "{class: neutral, frames: [{request: {on: ask, payload: [{constant: 4}, {number: unsigned 8}]}},"
        " {request: {on: ask, payload: [{constant: 0x44}]},"
        " reply: {on: say, payload: [{constant: 4}, {value: unsigned 32}]}}], within: 50 ms, abort: clear_load}"
    )
    talk = Talk(small({"read_setting": setting}))
    assert talk.say("04 01") == []
    assert talk.say("44") == ["300: 04 00 00 04 B0"]


def test_what_was_only_received_is_answered_and_then_refused():
    received = MESSAGES["preload"].replace("means: done", "means: received")
    talk = Talk(small({"preload": received}, **REFUSALS))
    assert talk.say("09" + target(0)) == ["300: 09", "300: EE 09 03"]


# Counters and checksums.

COUNTED = {
    "echo": "{class: neutral, request: {on: ask, payload: [{constant: 1, bits: 4}, {rolling: 4, echoed: true},"
    " {count: unsigned 8}]}, reply: {on: say, payload: [{constant: 1, bits: 4}, {rolling: 4}, {count: unsigned 8}]}}",
    "read_position": "{class: neutral, request: {on: ask, payload: [{constant: 2, bits: 4}, {ignored: 3},"
    " {rolling: 1}]}, reply: {on: say, payload: [{constant: 2, bits: 4}, {rolling: 4}, {position: signed 32}]}}",
    "start": "{class: starts, broadcast: only, request: {on: begin, payload: [{constant: 11, bits: 4}, {rolling: 4}]}}",
}


def test_an_echoed_counter_is_repeated_and_one_of_its_own_goes_up_and_wraps():
    talk = Talk(small(COUNTED))
    for count in (3, 4, 9):  # some were lost
        assert talk.say(f"1{count} 2A") == [f"300: 1{count} 2A"]
    told = [talk.say(f"2{count % 2}")[0][5:7] for count in range(18)]
    assert told == [f"2{count % 16:X}" for count in range(18)]


def test_a_repetition_is_neither_carried_out_nor_answered():
    """practice.md P6 (common practice, no source): CAN may deliver a frame twice."""
    talk = Talk(small(COUNTED))
    assert talk.say("15 00") == ["300: 15 00"]
    assert talk.say("15 00") == []
    assert talk.say("15 07") == []  # whatever else it holds
    assert talk.say("16 07") == ["300: 16 07"]


def test_counters_of_other_widths_are_compared_as_far_as_they_go():
    talk = Talk(small(COUNTED))
    talk.say("15 00")
    assert talk.say("21") == []  # 5 and 1 are the same in one bit
    assert talk.say("20") != []
    assert talk.say("16 00") == []
    assert talk.say("17 00") != []


def test_what_is_sent_to_all_has_a_counter_of_its_own():
    talk = Talk(small({**COUNTED, "preload": MESSAGES["preload"]}, loads=KEPT))
    talk.say("06")
    talk.say("09" + target(2000))
    talk.say("15 00")
    talk.say("B5", base=0x020, node=0)
    talk.wait(SECOND)
    talk.say("08" + target(0))
    talk.wait(SECOND)
    talk.say("B5", base=0x020, node=0)
    talk.wait(SECOND)
    assert talk.servo.reading(talk.now) == 0
    talk.say("B6", base=0x020, node=0)
    talk.wait(SECOND)
    assert talk.servo.reading(talk.now) == 2000


KEPT = "{second_load: replaces, at_trigger: kept, cleared_by: [clear_load], survives: [], relative_to: never}"


def test_a_restarted_drive_takes_any_counter():
    talk = Talk(small(COUNTED))
    talk.say("15 00")
    talk.drive.boot()
    assert talk.say("15 00") == ["300: 15 00"]


SUMMED = {
    "echo": "{class: neutral, request: {on: ask, payload: [{constant: 1}, {count: unsigned 8},"
    " {checksum: sum 8, over: [identifier, payload]}]}, reply: {on: say, payload: [{constant: 1}, {count: unsigned 8},"
    " {checksum: sum 8, over: [identifier, payload]}]}}",
}


def test_a_wrong_checksum_is_not_heard_and_not_even_refused():
    talk = Talk(small(SUMMED, **REFUSALS))
    # 02 + 0B + 01 + 2A is 38; 03 + 0B + 01 + 2A is 39
    assert talk.say("01 2A 38") == ["300: 01 2A 39"]
    assert talk.say("01 2A 39") == []
    assert talk.say("01 2A") == ["300: EE 01 02"]  # another length is another message, which nobody knows


def test_a_value_that_cannot_be_is_refused_as_one():
    """practice.md P37 (common practice, no source): outside is answered with an error, and not clipped."""
    echo = MESSAGES["echo"].replace("{count: unsigned 8}", "{count: bcd 8}")
    limited = MESSAGES["preload"].replace("signed 32", "signed 32, from: -1000, to: 1000")
    talk = Talk(small({"echo": echo, "preload": limited}, **REFUSALS))
    talk.say("06")
    assert talk.say("01 59") == ["300: 01 59"]
    assert talk.say("01 5A") == ["300: EE 01 01"]
    assert talk.say("09" + target(1001)) == ["300: EE 09 01"]
    assert talk.say("09" + target(1000)) == ["300: 09"]


def test_an_extended_dialect_hears_extended_frames_only():
    fields = "{fields: [{constant: 5, bits: 3}, {ignored: 2}, {node: 8}, {constant: 0x4D01, bits: 16}]}"
    bases = "say: {base: 0x100}, halt: {base: 0x10}, begin: {base: 0x20}"
    talk = Talk(small(identifiers=f"{{bits: 29, ask: {fields}, {bases}}}"))
    for ignored in (0, 1, 3):
        identifier = 5 << 26 | ignored << 24 | 11 << 16 | 0x4D01
        talk.heard.clear()
        talk.put(Frame(identifier, b"\x01\x07", extended=True))
        talk.wait(5 * MS)
        assert [(frame.id, frame.extended, frame.data) for _, frame in talk.heard] == [(0x10B, True, b"\x01\x07")]
    talk.heard.clear()
    talk.put(Frame(5 << 26 | 12 << 16 | 0x4D01, b"\x01\x07", extended=True))
    talk.put(Frame(0x20B, b"\x01\x07"))
    talk.wait(5 * MS)
    assert talk.heard == []


# When nothing may be sent.


def test_a_drive_that_is_asked_too_quickly_misses_the_request_and_the_truth_says_so():
    talk = Talk(small(timing="{reply_within: 3 ms, gap: 4 ms, cycle: 1 ms, latch: 0.5 ms}"))
    talk.say("01 07", wait=0)
    assert talk.hear(3 * MS) == ["300: 01 07"]
    assert talk.say("02", wait=0) == []
    assert talk.hear(5 * MS) == []
    (what,) = talk.broken()
    assert what.startswith("axis was sent read_position 0.")
    assert what.endswith("ms too soon: the gap after echo")
    assert talk.say("02", wait=5 * MS) != []


def test_stops_and_what_is_sent_to_all_wait_for_no_gap():
    talk = Talk(small(timing="{reply_within: 3 ms, gap: 4 ms, cycle: 1 ms, latch: 0.5 ms}"))
    talk.say("06")
    talk.say("09" + target(2_000_000), wait=0)
    talk.say("0B", base=0x020, node=0, wait=SECOND // 2)
    talk.say("01 07", wait=0)
    talk.say("0C", base=0x010, wait=SECOND)
    assert not flags(talk) & MOVING
    assert 1000 < position(talk) < 1_500_000
    assert talk.broken() == []


def test_after_some_messages_a_drive_wants_its_quiet():
    timing = "{reply_within: 3 ms, cycle: 1 ms, latch: 0.5 ms, quiet: {enable: 30 ms, write_setting: 5 ms}}"
    silent = {"write_setting": MESSAGES["write_setting"].split(", reply:")[0] + "}"}
    talk = Talk(small(silent, timing=timing))
    talk.say("06", wait=3 * MS)
    talk.wait(20 * MS)
    assert talk.say("01 07") == []
    talk.wait(6 * MS)
    assert talk.say("01 07") == ["300: 01 07"]
    talk.say("05 01 00 00 01 00", wait=4 * MS)  # never answered: the quiet begins when it has come
    assert talk.say("01 07", wait=0) == []
    assert [what.split(": ")[-1] for what in talk.broken()] == [
        "the quiet after enable",
        "the quiet after write_setting",
    ]
    talk.wait(SECOND)
    assert talk.say("04 01") == ["300: 04 00 00 01 00"]


def test_a_start_is_missed_in_the_quiet_and_a_stop_is_not():
    timing = "{reply_within: 3 ms, cycle: 1 ms, latch: 0.5 ms, quiet: {preload: 30 ms}}"
    talk = Talk(small(timing=timing))
    talk.say("06")
    talk.say("08" + target(500_000))
    talk.say("09" + target(0))
    talk.say("0B", base=0x020, node=0)
    assert len(talk.broken()) == 1
    talk.say("0C", base=0x010, node=0, wait=SECOND)
    assert not flags(talk) & MOVING


@pytest.mark.parametrize(("then", "seconds"), [("stop", 250 / 800), ("quick_stop", 250 / 3000)])
def test_a_drive_that_hears_nothing_stops_by_itself(then, seconds):
    talk = Talk(small(watchdog=f"{{within: 500 ms, fed_by: any, then: {then}}}"))
    talk.say("06")
    talk.say("08" + target(round(1500 * PER_MM)), wait=0)
    heard = talk.now
    for _ in range(8):
        talk.wait(250 * MS)
        talk.send(0x20C, b"\x01\x00")  # another node's
        if talk.now < heard + 1200 * MS:
            talk.say("02", wait=0)
            last = talk.now
    ends = last + 500 * MS + round(seconds * 1e9)
    assert talk.servo.mechanics.speed(talk.now) == 0
    assert abs(talk.servo._end_ns - ends) <= 1 * MS  # one cycle of the drive
    assert flags(talk) & ENABLED


def test_a_watchdog_may_want_messages_of_its_own_and_take_the_power():
    talk = Talk(small(watchdog="{within: 500 ms, fed_by: [echo], then: disable}"))
    for _ in range(3):
        talk.say("06", wait=0)
        talk.wait(200 * MS)
    assert not talk.servo.enabled
    for _ in range(4):
        talk.say("06", wait=0)
        talk.say("01 00", wait=0)
        talk.wait(200 * MS)
    assert talk.servo.enabled


def test_where_the_dialect_has_a_fault_for_it_an_unfed_drive_is_in_fault():
    talk = Talk(
        small(
            watchdog="{within: 500 ms, then: quick_stop}",
            faults="{7: nothing heard from the host}",
            events="{fault: {on: tell, payload: [{constant: 0xF1}, {fault: unsigned 8}]}}",
        )
    )
    talk.say("06")
    assert talk.hear(SECOND) == ["100: F1 07"]
    assert talk.say("03")[0].endswith("07")
