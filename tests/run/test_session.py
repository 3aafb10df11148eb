"""The waiting point: lanes, the window, repetition after a proof, limits, interrupts."""

import json
from collections.abc import Iterable

import pytest

from choreo.drive.families import make_drive
from choreo.errors import InternalError, LinkLost, MachineFault, OperatorStop, RefusedByDrive
from choreo.frame import Frame
from choreo.link.port import AdapterLost, Interrupt
from choreo.link.simulated import run_by_hand
from choreo.plan.conduct import WINDOW
from choreo.run.log import NoReply
from tests.run.fake import DIALECT, MS, FakeLink, session_for


def answer(frame: Frame, **values: int) -> Frame:
    """The right reply to a request; positions are 100 times the node."""
    decoded = DIALECT.decode(frame)
    node, message = decoded.node, decoded.message
    if message == "echo":
        return DIALECT.encode_reply("echo", node, count=decoded.values["count"])
    return DIALECT.encode_reply(message, node, **(values or {"position": 100 * node}))


def prompt(frame: Frame) -> Iterable[tuple[int, Frame]]:
    return [(MS, answer(frame))]


def position(node: int):
    return make_drive(DIALECT, node).read_position()


def test_results_come_in_the_order_of_the_conversations():
    link = FakeLink(lambda frame: [(MS * (20 - DIALECT.decode(frame).node), answer(frame))])
    session, _ = session_for(link, 11, 12, 13, timeout_ns=50 * MS)
    result = run_by_hand(session.run((0, position(11)), (1, position(12)), (2, position(13))))
    assert result == [1100, 1200, 1300]


def test_one_request_is_out_per_lane():
    link = FakeLink(prompt)
    session, _ = session_for(link, 11)
    assert run_by_hand(session.run((0, position(11)), (0, position(11)))) == [1100, 1100]
    (first, _), (second, _) = link.sent
    assert second - first == MS  # the second leaves when the first was answered


def test_the_window_slides_by_the_oldest_unanswered_request():
    """Many at once would starve the high nodes: low identifiers win the bus (facts.md A8; ISO 11898-1)."""
    slow = 11

    def answers(frame: Frame) -> list[tuple[int, Frame]]:
        return [(9 * MS if DIALECT.decode(frame).node == slow else MS, answer(frame))]

    link = FakeLink(answers)
    nodes = range(slow, slow + 8)
    session, _ = session_for(link, *nodes)
    run_by_hand(session.run(*((index, position(node)) for index, node in enumerate(nodes))))
    before_the_slow_answer = [frame for at, frame in link.sent if at - link.sent[0][0] < 9 * MS]
    assert len(before_the_slow_answer) == WINDOW
    assert len(link.sent) == 8


def test_a_lost_read_is_asked_again_after_a_counted_echo():
    """practice.md P12: a late reply counts only for the request that it fits; the echo proves that none is to come."""
    asked = []

    def answers(frame: Frame) -> list[tuple[int, Frame]]:
        asked.append(DIALECT.decode(frame).message)
        return [] if asked.count("read_position") == 1 and asked[-1] == "read_position" else [(MS, answer(frame))]

    session, journal = session_for(FakeLink(answers), 11)
    assert run_by_hand(session.run((0, position(11)))) == [1100]
    assert asked == ["read_position", "echo", "read_position"]
    assert [json.loads(line)["k"] for line in journal.getvalue().splitlines()] == ["lost"]


def test_a_late_reply_is_never_taken_for_another():
    """The answer to the first read arrives after its time-out, with another position: it is counted and left."""
    asked = []

    def answers(frame: Frame) -> list[tuple[int, Frame]]:
        asked.append(DIALECT.decode(frame).message)
        if asked == ["read_position"]:
            return [(12 * MS, answer(frame, position=-7))]  # 2 ms after the time-out, before the echo's answer
        return [(3 * MS, answer(frame))]

    session, journal = session_for(FakeLink(answers), 11)
    assert run_by_hand(session.run((0, position(11)))) == [1100]
    assert [json.loads(line)["k"] for line in journal.getvalue().splitlines()] == ["lost", "late"]


def test_a_command_that_may_not_be_repeated_is_sent_once():
    link = FakeLink(lambda frame: [])
    session, _ = session_for(link, 11, 12)
    with pytest.raises(NoReply, match="reset fault was not answered"):
        run_by_hand(session.run((0, make_drive(DIALECT, 11).reset_fault())))
    assert [DIALECT.decode(frame).message for _, frame in link.sent].count("reset_fault") == 1


def test_three_unanswered_requests_make_a_silent_node_and_name_it():
    link = FakeLink(lambda frame: prompt(frame) if DIALECT.decode(frame).node == 12 else [])
    session, _ = session_for(link, 11, 12)

    async def both() -> None:
        for _ in range(50):
            await session.run((1, position(12)), (0, position(11)))

    with pytest.raises(MachineFault, match="axis11 has left 3 requests in a row unanswered") as caught:
        run_by_hand(both())
    assert caught.value.axis == "axis11"


def test_nobody_heard_at_all_is_a_lost_bus():
    """practice.md P14: several nodes lost within 100 ms are power or bus lost."""
    session, _ = session_for(FakeLink(lambda frame: []), 11, 12)
    with pytest.raises(LinkLost, match="no node has answered"):
        run_by_hand(session.run((0, position(11)), (1, position(12))))


def test_a_data_error_reply_names_axis_and_meaning():
    def answers(frame: Frame) -> list[tuple[int, Frame]]:
        return [(MS, DIALECT.encode_error(11, refused=0x42, error=1))]

    session, journal = session_for(FakeLink(answers), 11)
    session.guard.found_at(11, 0)
    with pytest.raises(RefusedByDrive, match=r"axis11.*value out of range") as caught:
        run_by_hand(session.run((0, make_drive(DIALECT, 11).preload(100, 10))))
    assert caught.value.axis == "axis11"
    (record,) = [json.loads(line) for line in journal.getvalue().splitlines()]
    assert record["k"] == "command"
    assert "out of range" in record["outcome"]


def test_the_nearest_limit_wins_and_keeps_its_name():
    session, _ = session_for(FakeLink(), 11)

    async def nested() -> None:
        with session.within(30 * MS, "the outer thing"), session.within(50 * MS, "the inner thing"):
            await session.sleep(100 * MS)

    with pytest.raises(MachineFault, match="the outer thing is not over after its limit of 30 ms"):
        run_by_hand(nested())
    assert session.now() == 5 * MS + 30 * MS


def test_an_inner_limit_that_was_kept_is_gone():
    session, _ = session_for(FakeLink(), 11)

    async def inner_then_outer() -> None:
        with session.within(100 * MS, "outer"):
            with session.within(10 * MS, "inner"):
                await session.sleep(5 * MS)
            await session.sleep(50 * MS)

    run_by_hand(inner_then_outer())
    assert session.now() == 5 * MS + 55 * MS


def test_waiting_for_nothing_is_a_bug_and_says_so():
    session, _ = session_for(FakeLink(), 11)
    with pytest.raises(InternalError, match="waits for nothing"):
        run_by_hand(session.turn())


def test_an_interrupt_overtakes_what_waits():
    link = FakeLink(prompt)
    session, _ = session_for(link, 11)
    link.post(Interrupt("a key"))
    with pytest.raises(OperatorStop, match="a key"):
        run_by_hand(session.run((0, position(11))))


def test_a_lost_adapter_is_a_lost_link():
    link = FakeLink()
    session, _ = session_for(link, 11)
    link.post(AdapterLost("unplugged"))
    with pytest.raises(LinkLost, match="unplugged"):
        run_by_hand(session.sleep(MS))


def test_a_finding_is_raised_once_nothing_else_is_lost():
    """The reply during whose handling a watcher found something still reaches its conversation."""
    link = FakeLink(prompt)
    session, _ = session_for(link, 11)
    got = []

    def talk():
        reply = yield from position(11)
        got.append(reply)
        session.report(MachineFault("something", rule="test"))
        yield from position(11)

    with pytest.raises(MachineFault, match="something"):
        run_by_hand(session.run((0, talk())))
    assert got == [1100]


def test_an_abandoned_conversation_sends_nothing_more():
    link = FakeLink(prompt)
    session, _ = session_for(link, 11)

    def refused():
        yield from position(11)
        raise MachineFault("no", rule="test")

    with pytest.raises(MachineFault, match="no"):
        run_by_hand(session.run((0, refused()), (0, position(11)), (0, position(11))))
    sent = len(link.sent)
    run_by_hand(session.sleep(20 * MS))
    assert len(link.sent) == sent


def test_a_job_that_raises_is_not_called_again():
    session, _ = session_for(FakeLink(), 11)
    calls = []

    def job(now: int) -> int:
        calls.append(now)
        raise ValueError("a bug")

    session.at(session.now() + MS, job)
    with pytest.raises(ValueError, match="a bug"):
        run_by_hand(session.sleep(10 * MS))
    run_by_hand(session.sleep(10 * MS))
    assert len(calls) == 1


def test_an_abandoned_request_is_never_asked_again():
    """The stop takes a preload back from the outbox: its time-out must not bring it out again."""
    link = FakeLink(lambda frame: prompt(frame) if DIALECT.decode(frame).message != "preload" else [])
    session, _ = session_for(link, 11)
    session.guard.found_at(11, 0)
    load = make_drive(DIALECT, 11).preload(100, 10)

    async def broken_off() -> None:
        with session.within(5 * MS, "the load"):
            await session.run((0, load))

    with pytest.raises(MachineFault, match="the load"):
        run_by_hand(broken_off())
    session.begin_stopping()
    run_by_hand(session.sleep(100 * MS))
    assert [DIALECT.decode(frame).message for _, frame in link.sent].count("preload") == 1


def test_a_time_limit_holds_on_a_bus_that_is_never_silent():
    """Foreign frames at full load: there is always another frame, and a request and a limit run out all the same."""
    link = FakeLink(lambda frame: [])
    session, _ = session_for(link, 11)
    for place in range(3000):
        link.arrive(place * MS // 10, Frame(0x7FF, bytes([place % 256])))

    async def limited() -> None:
        with session.within(200 * MS, "the whole"):
            await session.run((0, position(11)))

    with pytest.raises(MachineFault, match="3 requests in a row unanswered"):
        run_by_hand(limited())
    assert session.now() < 5 * MS + 40 * MS


def test_nothing_is_limited_while_stopping():
    session, _ = session_for(FakeLink(), 11)
    session.begin_stopping()

    async def long() -> None:
        with session.within(MS, "something"):
            await session.sleep(20 * MS)

    run_by_hand(long())
    assert session.now() == 25 * MS


def test_a_frame_that_the_guard_refuses_does_not_leave_and_is_raised_at_the_next_turn():
    """A job or a reply in whose middle it happens goes on: the stop that follows needs its polls."""
    link = FakeLink(prompt)
    session, _ = session_for(link, 11)
    calls = []

    def job(now: int) -> int:
        calls.append(now)
        if len(calls) == 2:
            session.traffic.send(Frame(0x7FF))
        return now + MS

    session.at(session.now(), job)
    with pytest.raises(InternalError, match="no request of any dialect"):
        run_by_hand(session.sleep(50 * MS))
    assert link.sent == []
    session.begin_stopping()
    run_by_hand(session.sleep(5 * MS))
    assert len(calls) > 4


def test_a_request_that_the_guard_refuses_is_over_at_once_and_no_fault_of_the_node():
    link = FakeLink(prompt)
    session, journal = session_for(link, 11)
    session.begin_stopping()
    with pytest.raises(InternalError, match="while the run is stopping"):
        run_by_hand(session.run((0, make_drive(DIALECT, 11).enable())))
    assert link.sent == []
    assert session.traffic.lane(0).losses == 0
    assert not [line for line in journal.getvalue().splitlines() if '"k":"lost"' in line]
    assert run_by_hand(session.run((0, position(11)))) == [1100]


def test_while_stopping_a_reading_is_not_waited_for_without_end():
    """Then nobody raises that no node answers any more, and nothing else limits it."""
    session, _ = session_for(FakeLink(), 11)
    session.begin_stopping()
    began = session.now()
    assert run_by_hand(session.reading()) == -1
    assert session.now() - began == 100 * MS
