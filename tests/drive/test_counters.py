"""
Numbered requests: a counter a node and one for broadcasts, up by one with each frame that is sent, and round.

practice.md P35 (common practice, no source): the counter must neither skip nor repeat.
"""

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from choreo.drive.conversation import Ask, Tell
from choreo.drive.counters import Counters
from choreo.drive.described import DescribedDrive
from choreo.frame import Frame
from choreo.wire.words import Setting
from drive.script import Lost, Script, rx, tx
from drive.variants import compiled, numbered, text

ECHOED = compiled(numbered(text(name="echoed"), 4, echoed=True))
TOGGLED = compiled(numbered(text(name="toggled"), 1, echoed=True))
COUNTING = compiled(numbered(text(name="counting"), 8, echoed=False))


def drives(dialect, *nodes):
    counters = Counters()
    return [DescribedDrive(dialect, node, counters) for node in nodes]


def test_each_request_has_the_next_number_and_only_its_own_reply_answers_it():
    """Bytes by hand: the position, then the number in the low four bits of the last byte."""
    (drive,) = drives(ECHOED, 11)
    talk = Script(
        tx(0x14B, "12 00"),
        rx(0x12B, "92 07 00 00 00 0F"),  # of the request before
        rx(0x12B, "92 08 00 00 00 00"),
        tx(0x14B, "12 01"),
        rx(0x12B, "92 08 00 00 00 00"),  # the same reply once more (practice.md P6)
        rx(0x12B, "92 09 00 00 00 01"),
    )

    def twice():
        first = yield from drive.read_position()
        return first, (yield from drive.read_position())

    assert talk.run(twice()) == (8, 9)
    assert len(talk.strays) == 2


def test_a_request_that_is_sent_again_has_a_number_of_its_own():
    (drive,) = drives(ECHOED, 11)
    talk = Script(tx(0x14B, "12 00"), Lost(), tx(0x14B, "12 01"), rx(0x12B, "92 05 00 00 00 01"))
    assert talk.run(drive.read_position()) == 5


def test_a_setting_is_read_written_and_read_back_under_three_numbers():
    (drive,) = drives(ECHOED, 11)
    Script(
        tx(0x14B, "21 01 00"), rx(0x12B, "A1 01 2C 01 00"),
        tx(0x14B, "22 01 B0 04 01"), rx(0x12B, "A2 01 B0 04 01"),
        tx(0x14B, "21 01 02"), rx(0x12B, "A1 01 B0 04 02"),
    ).run(drive.write_setting(Setting.SPEED, 1200))  # fmt: skip


def test_a_number_is_no_input():
    (drive,) = drives(ECHOED, 11)
    inputs = Script(tx(0x14B, "14 00"), rx(0x12B, "94 04 00")).run(drive.read_inputs())
    assert "rolling" not in inputs
    assert [name for name, on in inputs.items() if on] == ["home_switch"]


def test_a_toggle_bit():
    (drive,) = drives(TOGGLED, 11)
    sent = [anew(drive.poll_position())[0].data[-1] for _ in range(5)]
    assert sent == [0, 1, 0, 1, 0]


def anew(ask: Ask):
    assert ask.anew is not None
    return ask.anew()


def broadcast(tell: Tell) -> Frame:
    assert tell.anew is not None
    return tell.anew()


def test_broadcasts_of_all_drives_share_one_counter_and_stops_to_one_node_its_own():
    left, right = drives(ECHOED, 11, 12)
    numbers = [broadcast(tell).data[-1] for tell in (left.start(), right.stop_all(), left.quick_stop_all())]
    assert numbers == [0, 1, 2]
    assert [broadcast(right.stop()).data[-1], broadcast(right.stop()).data[-1]] == [0, 1]
    assert broadcast(left.quick_stop()).data[-1] == 0


def test_every_bus_begins_anew():
    for _ in range(2):
        (drive,) = drives(ECHOED, 11)
        assert anew(drive.poll_position())[0].data == b"\x12\x00"


#: What is done next: which node, and whether its last request is lost.
DOINGS = st.lists(st.tuples(st.sampled_from([11, 12]), st.booleans()), max_size=60)


@given(DOINGS, st.sampled_from([ECHOED, TOGGLED]))
def test_whatever_is_lost_and_repeated_the_numbers_of_a_node_neither_skip_nor_repeat(doings, dialect):
    by_node = {drive.node: drive for drive in drives(dialect, 11, 12)}
    sent: dict[int, list[int]] = {11: [], 12: []}
    bits = dialect.frames.requests["echo"].rolling.bits
    for node, lost in doings:
        ask = by_node[node].echo_ask(len(sent[node]))
        for _ in range(2 if lost else 1):
            frame, decode = anew(ask)
            number = dialect.decode(frame).values["rolling"]
            sent[node].append(number)
            reply = dialect.encode_reply("echo", node, count=dialect.decode(frame).values["count"], rolling=number)
            other = dialect.encode_reply(
                "echo", node, count=dialect.decode(frame).values["count"], rolling=(number + 1) % (1 << bits)
            )
            assert decode(other) is None
            assert decode(reply) is not None
    for numbers in sent.values():
        assert all((new - old) % (1 << bits) == 1 for old, new in pairwise(numbers))


def test_a_drive_that_counts_its_own_frames_is_read():
    (drive,) = drives(COUNTING, 11)
    assert drive.own_count is not None
    assert drive.own_count(COUNTING.encode_reply("status", 11, fault=0, rolling=200, **BITS)) == (200, 256)
    assert drive.own_count(COUNTING.encode_event("boot", 11, rolling=3)) == (3, 256)
    assert drive.own_count(COUNTING.encode_reply("echo", 12, count=1, rolling=3)) is None  # another drive's
    assert drive.own_count(Frame(0x12B, b"\x00")) is None


BITS = dict.fromkeys(("enabled", "moving", "homed", "loaded", "brake_applied", "in_position"), 0)


@pytest.mark.parametrize("dialect", [ECHOED, compiled(text())])
def test_an_echo_is_no_count_of_the_drive_s_own(dialect):
    (drive,) = drives(dialect, 11)
    assert drive.own_count is None
