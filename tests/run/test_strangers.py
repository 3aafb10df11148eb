"""
Frames of the other format are other frames (ISO 11898-1; facts.md A1): a remote frame, or one whose identifier has the
other length, with the number of a drive's replies is no reply, no word of the drive's and no contradiction.
"""

import json
from collections.abc import Iterable

import pytest

from choreo.drive.conversation import Ask
from choreo.frame import Frame
from choreo.link.simulated import run_by_hand
from choreo.wire.words import FrameClass
from tests.run.fake import MS, FakeLink, session_for
from tests.run.test_session import answer, position

REPLY = 0x12B  # of node 11: 0x120 and the node (the shipped dialect's file, read by eye)


def disguised(frame: Frame) -> list[Frame]:
    """What a reply is not: the same number with 29 bits, and remote frames of both lengths."""
    return [
        frame._replace(extended=True),
        frame._replace(data=b"", remote=True),
        frame._replace(data=b"", remote=True, extended=True),
    ]


@pytest.mark.parametrize("kind", range(3))
def test_it_is_no_reply_no_late_one_and_no_contradiction(kind: int) -> None:
    def answers(frame: Frame) -> Iterable[tuple[int, Frame]]:
        right = answer(frame)
        assert right.id == REPLY
        wrong = answer(frame, position=77_777)
        return [(MS, disguised(wrong)[kind]), (2 * MS, right), (3 * MS, disguised(wrong)[kind])]

    link = FakeLink(answers)
    session, text = session_for(link, 11)
    unasked: list[Frame] = []
    foreign: list[Frame] = []
    session.traffic.on_unasked = lambda axis, frame: unasked.append(frame)
    session.traffic.on_foreign = foreign.append
    assert run_by_hand(session.run((0, position(11)))) == [1100]
    run_by_hand(session.sleep(5 * MS))
    assert unasked == []
    assert [frame.id for frame in foreign] == [REPLY, REPLY]
    assert session.traffic.lane(0).unasked == 0
    assert "late" not in {json.loads(line)["k"] for line in text.getvalue().splitlines()}


@pytest.mark.parametrize("kind", range(3))
def test_it_is_no_word_of_the_drives(kind: int) -> None:
    link = FakeLink()
    session, _ = session_for(link, 11)
    heard: list[Frame] = []
    session.traffic.listen(0x1AB, heard.append, 0)
    word = Frame(0x1AB, b"\x81\x01")
    link.arrive(MS, disguised(word)[kind])
    run_by_hand(session.sleep(2 * MS))
    assert heard == []
    link.arrive(MS, word)
    run_by_hand(session.sleep(2 * MS))
    assert [frame[:4] for frame in heard] == [word[:4]]


def test_two_drives_may_have_one_number_in_both_formats() -> None:
    link = FakeLink(lambda frame: [(MS, frame._replace(id=REPLY, data=b"\x29" if frame.extended else b"\x11"))])
    session, _ = session_for(link, 11, 12)
    session.traffic.add_lane(REPLY, 1, 10 * MS, lambda count: ask(extended=True), extended=True)

    def ask(*, extended: bool) -> Ask:
        request = Frame(0x14B, b"\x01", extended)
        session.guard.harmless[request] = FrameClass.NEUTRAL
        return Ask(request, REPLY, lambda frame: frame.data, "say who you are", again=0)

    told: dict[bool, bytes] = {}
    for extended in (False, True):
        session.traffic.ask(
            ask(extended=extended),
            lambda value, *_, extended=extended: told.update({extended: value}),
            lambda error: pytest.fail(str(error)),
        )
    run_by_hand(session.sleep(5 * MS))
    assert told == {False: b"\x11", True: b"\x29"}


def test_a_frame_that_came_before_the_request_is_not_its_answer() -> None:
    """practice.md P12: it lay in the link while the request was made."""

    class Stale(FakeLink):
        async def receive_until(self, deadline_ns: int) -> object:  # type: ignore[override]
            got = await super().receive_until(deadline_ns)
            return got._replace(t_ns=1) if isinstance(got, Frame) and got.data == stale.data else got

    stale = answer(Frame(0x14B, b"\x12"), position=5)
    link = Stale(lambda frame: [(MS, stale), (2 * MS, answer(frame))])
    session, _ = session_for(link, 11)
    assert run_by_hand(session.run((0, position(11)))) == [1100]
    assert session.traffic.lane(0).unasked == 1
