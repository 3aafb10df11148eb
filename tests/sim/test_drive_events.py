"""What a drive says without being asked: once a period, and when something has changed."""

from dataclasses import replace
from itertools import pairwise

import pytest

from choreo.frame import Frame

from .bench import HORIZONTAL, MS, PER_MM, SECOND
from .dialects import TRUTH, Talk, small

STATUS = "[{constant: 0x53}, {bits: [enabled, moving, homed, loaded, -, in_position, -, -]}, {fault: unsigned 8}]"


def on_the_way(talk: Talk, mm: float) -> None:
    """Power, a while, and a move by `mm`; what the drive says from the first of it on is heard."""
    talk.heard.clear()
    talk.send(0x20B, b"\x06")
    talk.wait(5 * MS)
    talk.send(0x20B, b"\x08" + round(1000 + mm * PER_MM).to_bytes(4, "big", signed=True))


def test_a_period_is_kept_from_the_beginning():
    talk = Talk(small(events=f"{{status: {{on: tell, payload: {STATUS}, every: 100 ms}}}}"))
    talk.wait(2 * SECOND)
    times = [t_ns for t_ns, frame in talk.heard if frame.id == 0x10B]
    assert 19 <= len(times) <= 20
    gaps = {b - a for a, b in pairwise(times)}
    assert gaps == {100 * MS}
    assert talk.told()[0] == "100: 53 00 00"


def test_a_position_once_a_period_is_where_the_axis_is():
    talk = Talk(
        small(events="{position: {on: tell, payload: [{constant: 0x52}, {position: signed 32}], every: 10 ms}}")
    )
    on_the_way(talk, 300)
    talk.wait(SECOND)
    told = talk.told()
    places = [int(text[8:].replace(" ", ""), 16) for text in told if text.startswith("100: 52")]
    assert places == sorted(places)
    steps = [b - a for a, b in pairwise(places)]
    # 1200 * 1024 counts/s for 10 ms
    assert max(steps) == pytest.approx(12288, abs=1)


def test_a_status_is_said_when_it_changes_and_not_otherwise():
    talk = Talk(small(events=f"{{status: {{on: tell, payload: {STATUS}}}}}"))
    assert talk.hear(SECOND) == []
    on_the_way(talk, 10)
    talk.wait(SECOND)
    told = [text for text in talk.told() if text.startswith("100")]
    # power: enabled, in position; then enabled, moving; then in position again
    assert told == ["100: 53 21 00", "100: 53 03 00", "100: 53 21 00"]


def test_an_arrival_is_said_once_and_its_end_only_where_a_field_can_say_it():
    bare = "{in_position: {on: tell, payload: [{constant: 0x55}]}}"
    told = "{in_position: {on: tell, payload: [{constant: 0x55}, {in_position: unsigned 8}]}}"
    for events, expected in ((bare, ["100: 55"] * 2), (told, ["100: 55 01", "100: 55 00", "100: 55 01"])):
        talk = Talk(small(events=events))
        on_the_way(talk, 10)
        talk.wait(SECOND)
        assert [text for text in talk.told() if text.startswith("100")] == expected


def test_an_arrival_is_said_when_the_lag_has_run_out():
    """An axis 8 ms behind stands within 32 counts of its target a few of these times after its demand."""
    talk = Talk(small(events="{in_position: {on: tell, payload: [{constant: 0x55}]}}"), replace(TRUTH, lag_ns=8 * MS))
    on_the_way(talk, 100)
    talk.wait(2 * SECOND)
    arrived = [t_ns for t_ns, frame in talk.heard if frame.id == 0x10B][-1]
    behind = arrived - talk.servo._end_ns
    assert 8 * MS < behind < 80 * MS


def test_where_the_axis_has_come_to_rest_is_said_without_a_period():
    talk = Talk(small(events="{position: {on: tell, payload: [{constant: 0x52}, {position: signed 32}]}}"))
    on_the_way(talk, 10)
    talk.wait(SECOND)
    assert [text for text in talk.told() if text.startswith("100")] == [
        "100: 52 " + (1000 + 49152).to_bytes(4, "big").hex(" ").upper()
    ]


INPUTS = (
    "{inputs: {on: tell, payload: [{constant: 0x54}, {bits: [negative_limit, positive_limit, home_switch, input_1]},"
    " {ignored: 4}]}}"
)


def test_switches_are_said_when_the_axis_passes_them():
    talk = Talk(small(events=INPUTS), replace(TRUTH, start=HORIZONTAL.home[0].edge + 5))
    on_the_way(talk, -10)
    talk.wait(2 * SECOND)
    assert [text for text in talk.told() if text.startswith("100")] == ["100: 54 40"]  # the third of four, on top
    talk.say("08" + (1000).to_bytes(4, "big").hex())
    assert [text for text in talk.hear(2 * SECOND) if text.startswith("100")] == ["100: 54 00"]


def test_an_input_from_outside_is_said_at_once():
    talk = Talk(small(events=INPUTS))
    talk.wait(MS)
    talk.drive.firmware.inputs.force("input_1", True)
    assert talk.hear(2 * MS) == ["100: 54 80"]
    assert talk.hear(SECOND) == []
    talk.drive.firmware.inputs.release("input_1")
    assert talk.hear(2 * MS) == ["100: 54 00"]


def test_an_event_has_a_counter_of_the_drive_and_a_checksum():
    talk = Talk(
        small(
            events="{boot: {on: tell, payload: [{constant: 0x50, bits: 8}, {ignored: 4}, {rolling: 4},"
            " {checksum: sum 8, over: [node, payload]}]}}"
        )
    )
    for count in range(2):
        talk.drive.boot()
        # a restart forgets the counter: 50 + 00 + 0B
        assert talk.hear(5 * MS) == ["100: 50 00 5B"], count


def test_a_drive_without_power_on_its_controller_says_nothing_and_goes_on_afterwards():
    talk = Talk(small(events=f"{{status: {{on: tell, payload: {STATUS}, every: 100 ms}}}}"))
    talk.drive.controller.switch_off()
    assert talk.hear(SECOND) == []
    talk.drive.controller.switch_on()
    assert len(talk.hear(SECOND)) in (9, 10, 11)


def test_a_frame_of_an_event_is_known_again():
    dialect = small(
        events=f"{{status: {{on: tell, payload: {STATUS}}}}}", error_reply="{on: say, payload: [{constant: 0xEE}]}"
    )
    name, node, values = dialect.event_of(Frame(0x10B, bytes.fromhex("53 21 07")))
    assert (name, node, values["enabled"], values["moving"], values["fault"]) == ("status", 11, 1, 0, 7)
    assert dialect.event_of(Frame(0x30B, b"\xee")) == ("error_reply", 11, {})
    assert dialect.event_of(Frame(0x30B, b"\xef")) is None
