"""One verb as several frames: in order, with a gap, all or nothing. Bytes by hand from `variants.PRELOAD_IN_TWO`."""

import pytest

from choreo.drive.conversation import Ask, Pause, Reply
from choreo.drive.described import DescribedDrive
from choreo.errors import MachineFault, RefusedByDrive
from drive.script import Lost, Script, rx, tx
from drive.variants import compiled, preload_in_two, text

MS = 1_000_000
DRIVE = DescribedDrive(compiled(preload_in_two(text())), 11)
TARGET = "E8 03 00 00"  # 1000
FIRST = (tx(0x14B, f"42 {TARGET}"), rx(0x12B, f"C2 {TARGET}"))
UNDONE = (tx(0x14B, "43"), rx(0x12B, "C3"))


def test_frames_go_out_in_order_with_the_gap_between_them():
    talk = Script(*FIRST, tx(0x14B, "44 14 00"), rx(0x12B, "C4 14 00"))
    talk.run(DRIVE.preload(1000, 20))
    assert talk.paused_ns == 2 * MS


def test_the_lane_is_held_until_the_last_frame_and_knows_how_to_undo():
    talk = Script(*FIRST, tx(0x14B, "44 14 00"), rx(0x12B, "C4 14 00"))
    talk.run(DRIVE.preload(1000, 20))
    first, last = talk.asks
    assert (first.keep, last.keep) == (True, False)
    assert first.abort is not None
    assert first.abort.frame.data == b"\x43"  # clear_load
    assert first.again == last.again == 0  # what a drive makes of half a load is its own affair


def test_a_part_that_is_refused_is_undone_and_the_verb_fails():
    talk = Script(*FIRST, tx(0x14B, "44 14 00"), rx(0x12B, "EE 44 01"), *UNDONE)
    with pytest.raises(RefusedByDrive, match=r"preload to 1000 .* \(2 of 2\): value out of range"):
        talk.run(DRIVE.preload(1000, 20))
    assert not talk.left


def test_a_part_that_is_not_answered_is_undone_and_not_repeated():
    talk = Script(*FIRST, tx(0x14B, "44 14 00"), Lost(), *UNDONE)
    with pytest.raises(MachineFault, match="not answered"):
        talk.run(DRIVE.preload(1000, 20))
    assert not talk.left


def test_a_part_that_answers_otherwise_is_undone():
    talk = Script(*FIRST, tx(0x14B, "44 14 00"), rx(0x12B, "C4 15 00"), *UNDONE)
    with pytest.raises(MachineFault, match="answered with speed 21; 20 was sent"):
        talk.run(DRIVE.preload(1000, 20))
    assert not talk.left


def test_what_cannot_be_undone_either_is_said():
    talk = Script(tx(0x14B, f"42 {TARGET}"), Lost(), *[tx(0x14B, "43"), Lost()] * 3)
    with pytest.raises(MachineFault, match="not answered") as raised:
        talk.run(DRIVE.preload(1000, 20))
    assert "could not be undone" in raised.value.help


def test_the_time_limit_is_of_the_whole():
    """Each part may take what is left of it; a series that is over late is undone."""
    conversation = DRIVE.preload(1000, 20)
    ask = next(conversation)
    assert isinstance(ask, Ask)
    assert ask.at_most_ns == 60 * MS
    assert isinstance(conversation.send(Reply({"target": 1000}, 5 * MS, 30 * MS)), Pause)
    second = conversation.send(None)
    assert second.at_most_ns == 35 * MS
    undo = conversation.send(Reply({"speed": 20}, 32 * MS, 66 * MS))  # 61 ms in all
    assert undo.frame.data == b"\x43"
    with pytest.raises(MachineFault, match="took 61 ms so far; allowed are 60 ms"):
        conversation.send(Reply({}, 67 * MS, 68 * MS))


def test_a_series_whose_first_frame_is_not_answered():
    source = preload_in_two(text()).replace(
        "\n        reply: {on: reply, payload: [{constant: 0xC2}, {target: signed 32}], means: received}", ""
    )
    drive = DescribedDrive(compiled(source), 11)
    talk = Script(tx(0x14B, f"42 {TARGET}"), tx(0x14B, "44 14 00"), rx(0x12B, "C4 14 00"))
    talk.run(drive.preload(1000, 20))
    (tell,) = talk.tells
    assert tell.confirm  # its time counts
    assert tell.keep
