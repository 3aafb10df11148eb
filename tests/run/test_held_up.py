"""
A stall of choreo's own is no fault of the machine's: replies that came in time count, limits that nobody could keep do
not. The link is one whose clock leaps over whatever the session waited for, as it is when a process gets no processor;
like a live link it stamps frames when they are taken in.
"""

import json
from collections.abc import Iterable
from types import SimpleNamespace

import pytest

from choreo.drive.families import make_drive
from choreo.errors import MachineFault
from choreo.frame import Frame
from choreo.link.port import Confirmed, Event, Interrupt
from choreo.link.simulated import run_by_hand
from choreo.run.lateness import HELD_UP_NS
from choreo.run.log import NoReply
from choreo.run.requests.lanes import MOST_POSTPONED
from choreo.run.steps import motion
from choreo.wire.words import FrameClass
from tests.run.fake import DIALECT, MS, Answers, FakeLink, session_for
from tests.run.test_session import answer, position

NODES = (11, 12, 13, 14)


class StallingLink(FakeLink):
    """After `stall(at, ns)` a wait that reaches the time `at` (since the start) ends `ns` later than it should."""

    def __init__(self, answers: Answers) -> None:
        super().__init__(answers)
        self._stalls: list[tuple[int, int]] = []
        self._began = self._now

    def stall(self, at_ns: int, ns: int) -> None:
        self._stalls.append((self._began + at_ns, ns))

    async def receive_until(self, deadline_ns: int) -> Frame | Event | None:
        if self._stalls and not self._urgent:
            nearest = min(deadline_ns, self._heap[0][0]) if self._heap else deadline_ns
            at, ns = self._stalls[0]
            if nearest >= at:
                self._stalls.pop(0)
                self._now = max(self._now, at) + ns
        return await super().receive_until(deadline_ns)


def after(delay_ns: int) -> Answers:
    return lambda frame: [(delay_ns, answer(frame))]


def records(text: str, kind: str) -> list[dict[str, object]]:
    return [record for record in map(json.loads, text.splitlines()) if record["k"] == kind]


def test_replies_that_came_during_the_stall_all_count() -> None:
    link = StallingLink(after(2 * MS))
    session, text = session_for(link, *NODES, timeout_ns=10 * MS)
    link.stall(MS, 300 * MS)
    found = run_by_hand(session.run(*((index, position(node)) for index, node in enumerate(NODES))))
    assert found == [100 * node for node in NODES]
    assert records(text.getvalue(), "lost") == []
    assert len(link.sent) == len(NODES)


def test_what_came_is_routed_before_what_is_due() -> None:
    link = StallingLink(after(2 * MS))
    session, _ = session_for(link, *NODES, timeout_ns=10 * MS)
    told: list[str] = []
    for index, node in enumerate(NODES):
        ask = make_drive(DIALECT, node).poll_position()
        session.traffic.ask(ask, lambda *_: told.append("reply"), lambda error: told.append("lost"))
        assert session.traffic.lane(index).busy is not None
    session.at(link.now_ns() + 5 * MS, lambda now: told.append("due"))
    link.stall(MS, 100 * MS)
    run_by_hand(session.turns(lambda: "due" in told))
    assert told == ["reply"] * len(NODES) + ["due"]


def test_a_request_whose_sending_was_held_up_as_well_gets_its_time_again() -> None:
    link = StallingLink(after(105 * MS))
    session, text = session_for(link, 11, timeout_ns=10 * MS)
    link.stall(MS, 100 * MS)
    assert run_by_hand(session.run((0, position(11)))) == [1100]
    assert records(text.getvalue(), "lost") == []


def test_without_a_stall_the_same_reply_is_too_late() -> None:
    link = StallingLink(after(105 * MS))
    session, _ = session_for(link, 11, timeout_ns=10 * MS)
    with pytest.raises(NoReply):
        run_by_hand(session.run((0, make_drive(DIALECT, 11).echo(1))))


def test_a_dead_node_is_found_out_although_choreo_is_held_up_again_and_again() -> None:
    link = StallingLink(lambda frame: [])
    session, text = session_for(link, 11, timeout_ns=10 * MS)
    for number in range(1000):
        link.stall(20 * number * MS, 15 * MS)
    with pytest.raises(NoReply):
        run_by_hand(session.run((0, make_drive(DIALECT, 11).echo(1))))  # asked once
    took = records(text.getvalue(), "lost")[0]["t"]
    assert isinstance(took, int)
    assert took <= (MOST_POSTPONED + 1) * (10 + 15 + 15) * MS


def test_a_bus_that_is_never_still_does_not_keep_what_is_due_waiting() -> None:
    class Busy(StallingLink):
        async def receive_until(self, deadline_ns: int) -> Frame | Event | None:
            if self._now > self._began + 50 * MS:
                self._now += MS // 10
                return Frame(0x555, t_ns=self._now)
            return await super().receive_until(deadline_ns)

    link = Busy(lambda frame: [])
    session, _ = session_for(link, 11, timeout_ns=10 * MS)
    due: list[int] = []
    lost: list[object] = []
    session.traffic.ask(make_drive(DIALECT, 11).echo_ask(1), lambda *_: None, lost.append)
    session.at(link.now_ns() + 20 * MS, due.append)
    link.stall(MS, 100 * MS)
    run_by_hand(session.turns(lambda: bool(due and lost)))


def test_a_long_stall_is_told_in_the_journal() -> None:
    link = StallingLink(after(2 * MS))
    session, text = session_for(link, 11, timeout_ns=10 * MS)
    link.stall(MS, HELD_UP_NS + 100 * MS)
    run_by_hand(session.run((0, position(11))))
    assert [record["what"] for record in records(text.getvalue(), "link")] == [
        "choreo itself was held up for 591 ms"
    ]  # 601 - 10


def test_a_step_whose_time_is_over_is_over_all_the_same() -> None:
    link = StallingLink(lambda frame: [])
    session, _ = session_for(link, 11, timeout_ns=1000 * MS)
    link.stall(MS, 300 * MS)
    with (
        pytest.raises(MachineFault, match="the step is not over after its limit of 100 ms"),
        session.within(100 * MS, "the step"),
    ):
        run_by_hand(session.run((0, position(11))))


def test_a_guardian_that_acted_comes_before_the_reply_that_waited() -> None:
    """Nothing may start a machine that somebody has stopped meanwhile."""
    link = StallingLink(after(2 * MS))
    session, _ = session_for(link, 11, timeout_ns=10 * MS)
    session.on_held_up = lambda: link.post(Interrupt("the guardian has stopped the machine", by_operator=False))

    def two_frames() -> Iterable[object]:
        yield make_drive(DIALECT, 11).poll_position()
        yield make_drive(DIALECT, 11).poll_position()

    link.stall(MS, 3000 * MS)
    with pytest.raises(MachineFault, match="the guardian has stopped the machine") as stopped:
        run_by_hand(session.run((0, two_frames())))  # type: ignore[arg-type]
    assert (stopped.value.rule, stopped.value.exit) == ("held-up", 3)  # no operator has asked for it
    assert len(link.sent) == 1
    session.begin_stopping()
    run_by_hand(session.sleep(MS))  # the reply is not lost
    assert session.traffic.lane(0).busy is None


@pytest.mark.parametrize(("stall_ns", "fails"), [(0, True), (200 * MS, False)])
def test_a_trigger_that_left_while_choreo_was_held_up_is_no_late_trigger(stall_ns: int, fails: bool) -> None:
    # 60 ms in the adapter are too long (practice.md P7), unless nobody could look, or could send.
    class Slow(StallingLink):
        def submit(self, frame: Frame, *, confirm: bool = False) -> None:
            self.sent.append((self._now, frame))
            if confirm:
                self.arrive(60 * MS, Confirmed(frame, self._now + 60 * MS))

    link = Slow(lambda frame: [])
    session, _ = session_for(link, 11)
    session.guard.found_at(11, 0)
    session.guard.check(DIALECT.encode("preload", 11, target=1000, speed=60))
    session.guard.allow_start([11], [])
    run = SimpleNamespace(session=session, plan=SimpleNamespace(adapter_ns=0))
    axis = SimpleNamespace(drive=make_drive(DIALECT, 11), name="axis11")
    if stall_ns:
        link.stall(MS, stall_ns)
    if fails:
        with pytest.raises(MachineFault, match="has not left the adapter within 50 ms"):
            run_by_hand(motion._leave(run, [axis]))  # type: ignore[arg-type, list-item]
        return
    frame, _ = run_by_hand(motion._leave(run, [axis]))  # type: ignore[arg-type, list-item]
    assert session.guard.classify(frame) is FrameClass.STARTS


def test_a_trigger_that_never_leaves_is_given_up_after_a_stall_too() -> None:
    class Stuck(StallingLink):
        def submit(self, frame: Frame, *, confirm: bool = False) -> None:
            self.sent.append((self._now, frame))

    link = Stuck(lambda frame: [])
    session, _ = session_for(link, 11)
    session.guard.found_at(11, 0)
    session.guard.check(DIALECT.encode("preload", 11, target=1000, speed=60))
    session.guard.allow_start([11], [])
    run = SimpleNamespace(session=session, plan=SimpleNamespace(adapter_ns=0))
    axis = SimpleNamespace(drive=make_drive(DIALECT, 11), name="axis11")
    for number in range(100):
        link.stall(10 * number * MS, 40 * MS)
    with pytest.raises(MachineFault, match="has not left the adapter"):
        run_by_hand(motion._leave(run, [axis]))  # type: ignore[arg-type, list-item]
