"""
Numbered frames and verbs of several frames, as the session handles them: numbers at hand-over, replies that were
delivered twice, lanes that are held, and what becomes of half a verb.
"""

import json
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from choreo.drive.conversation import Pause
from choreo.errors import MachineFault
from choreo.frame import Frame
from choreo.link.simulated import run_by_hand
from choreo.run.guard import REMEMBERED, GuardRefusal
from choreo.run.log import NoReply
from tests.drive.variants import compiled, numbered, preload_in_two, text
from tests.run.fake import MS, FakeLink
from tests.run.varied import Varied

ECHOED = compiled(numbered(text(name="echoed"), 4, echoed=True))
COUNTING = compiled(numbered(text(name="counting"), 8, echoed=False))
IN_TWO = compiled(preload_in_two(text(name="in_two")))


def numbers(world: Varied) -> list[int]:
    return [world.dialect.decode(frame).values["rolling"] for _, frame in world.link.sent]


def records(world: Varied, kind: str) -> list[dict]:
    found = [json.loads(line) for line in world.text.getvalue().splitlines() if line.startswith("{")]
    return [record for record in found if record["k"] == kind]


@given(st.lists(st.booleans(), max_size=40))
def test_numbers_go_up_by_one_on_the_wire_whatever_is_lost(losses):
    """practice.md P35: retries and the echoes between them are frames like all others, and the counter wraps."""
    left = iter(losses)

    def answers(frame: Frame):
        return [] if next(left, False) else world.answers(frame)

    world = Varied(ECHOED, 11, link=FakeLink(answers))

    async def some() -> None:
        for _ in range(20):
            try:
                await world.session.run((0, world.drives[11].read_position()))
            except MachineFault:
                world.session.log.fault = None
                world.session.traffic.lane(0).silent = False

    run_by_hand(some())
    assert all((new - old) % 16 == 1 for old, new in pairwise(numbers(world)))
    assert len(world.link.sent) >= 20


def test_only_the_reply_with_its_own_number_counts():
    """practice.md P12: a late reply counts only for the request that it fits."""
    late: list[Frame] = []

    def answers(frame: Frame):
        ((delay, reply),) = world.answers(frame)
        if not late:
            late.append(reply)
            return [(12 * MS, reply)]  # after its time-out
        return [(delay, reply)]

    world = Varied(ECHOED, 11, link=FakeLink(answers))
    assert run_by_hand(world.session.run((0, world.drives[11].read_position()))) == [0]
    assert [record["frame"] for record in records(world, "late")] == [late[0].text()]


def test_the_guard_judges_each_numbered_frame_and_remembers_none():
    """Its memory of harmless frames is for frames that come again bit for bit."""
    world = Varied(ECHOED, 11)
    for _ in range(40):
        run_by_hand(world.session.run((0, world.drives[11].read_position())))
    assert not world.guard.harmless
    plain = Varied(compiled(text()), 11)
    for count in range(300):
        run_by_hand(plain.session.run((0, plain.drives[11].echo(count))))
    assert 0 < len(plain.guard.harmless) <= REMEMBERED


def test_a_numbered_load_stands_in_the_journal_as_it_was_sent():
    world = Varied(ECHOED, 11)
    world.guard.found_at(11, 0)
    run_by_hand(world.session.run((0, world.drives[11].read_position())))
    run_by_hand(world.session.run((0, world.drives[11].preload(100, 10))))
    (record,) = records(world, "command")
    assert record["frame"] == world.link.sent[-1][1].text()
    assert record["frame"].endswith(".01")


# Drives that number their own frames.


def test_a_reply_that_came_twice_is_no_answer_to_the_next_request():
    """practice.md P6: CAN may deliver a frame twice."""
    count = iter(range(10))

    def answers(frame: Frame):
        number = next(count)
        reply = COUNTING.encode_reply("read_position", 11, position=100 * number, rolling=number)
        doubled = [(MS + 1000, reply)] if number == 0 else []
        return [(MS, reply), *doubled]

    world = Varied(COUNTING, 11, link=FakeLink(answers))
    read = [run_by_hand(world.session.run((0, world.drives[11].read_position()))) for _ in range(3)]
    assert read == [[0], [100], [200]]
    own = world.session.traffic.lane(0).own
    assert (own.repeated, own.skipped) == (1, 0)
    assert len(records(world, "late")) == 1


def test_frames_that_never_came_are_counted_and_noted():
    """practice.md P35: the counter must neither skip nor repeat."""
    count = iter([254, 255, 2, 3])

    def answers(frame: Frame):
        return [(MS, COUNTING.encode_reply("read_position", 11, position=0, rolling=next(count)))]

    world = Varied(COUNTING, 11, link=FakeLink(answers))
    for _ in range(4):
        run_by_hand(world.session.run((0, world.drives[11].read_position())))
    assert world.session.traffic.lane(0).own.skipped == 2  # 0 and 1
    (record,) = records(world, "link")
    assert (record["axis"], record["skipped"]) == ("axis11", 2)


# Verbs of several frames.


def in_two() -> Varied:
    world = Varied(IN_TWO, 11)
    world.guard.found_at(11, 0)
    return world


def said(world: Varied) -> list[str]:
    return [message for _, message, _ in world.sent()]


def test_nothing_else_is_asked_of_the_drive_between_the_frames():
    world = in_two()
    read: list[int] = []

    async def load() -> None:
        for ms in (0, 1, 2):
            world.session.at(world.session.now() + ms * MS, poll)
        await world.session.run((0, world.drives[11].preload(1000, 20)))
        await world.session.turns(lambda: len(read) == 3)

    def poll(now: int) -> None:
        world.session.traffic.ask(world.drives[11].poll_position(), lambda value, *_: read.append(value), pytest.fail)

    run_by_hand(load())
    assert said(world) == ["preload.1", "preload.2", "read_position", "read_position", "read_position"]
    assert world.times()[1] == 3 * MS  # the reply after 1 ms, and the gap of 2 ms


def test_half_a_load_that_is_broken_off_is_undone():
    """All or nothing: whoever breaks the conversation off sends what undoes its part."""
    world = in_two()

    async def broken() -> None:
        await world.session.first((0, world.drives[11].preload(1000, 20)), (0, quickly()))

    def quickly():
        yield Pause(2 * MS)  # in the gap between the two frames

    run_by_hand(broken())
    assert said(world) == ["preload.1", "clear_load"]


def test_a_stop_drops_the_rest_of_a_load():
    """practice.md P2 and P13: what is left of it is never handed over, and its first part is undone."""
    world = in_two()

    fault = MachineFault("somebody found something", rule="a-rule")
    world.session.at(world.session.now() + 2 * MS, lambda now: world.session.report(fault))  # between the two frames
    with pytest.raises(MachineFault, match="somebody found something"):
        run_by_hand(world.session.run((0, world.drives[11].preload(1000, 20))))
    world.session.begin_stopping()
    run_by_hand(world.session.sleep(20 * MS))
    assert said(world) == ["preload.1", "clear_load"]


def test_after_a_stop_the_guard_lets_no_part_of_a_load_out():
    world = in_two()

    def stop(now: int) -> None:
        world.session.begin_stopping()

    async def stopped() -> None:
        world.session.at(world.session.now() + 2 * MS, stop)
        await world.session.run((0, world.drives[11].preload(1000, 20)))

    with pytest.raises(GuardRefusal, match=r"preload\.2 .* would move an axis while the run is stopping"):
        run_by_hand(stopped())
    assert said(world) == ["preload.1", "clear_load", "clear_load"]  # by the stop, and by the verb that failed


def test_a_part_that_is_not_answered_is_undone_after_a_proof_that_no_reply_is_to_come():
    world = in_two()
    world.silent = {"preload.2"}
    with pytest.raises(NoReply, match=r"\(2 of 2\) was not answered"):
        run_by_hand(world.session.run((0, world.drives[11].preload(1000, 20))))
    assert said(world) == ["preload.1", "preload.2", "echo", "clear_load"]
    assert not world.session.traffic.holding


def test_what_undoes_half_a_load_goes_out_behind_the_stop():
    """practice.md P13: stop first. A load that was never started moves nothing."""
    world = in_two()
    fault = MachineFault("somebody found something", rule="a-rule")
    world.session.at(world.session.now() + 2 * MS, lambda now: world.session.report(fault))  # between the two frames
    with pytest.raises(MachineFault):
        run_by_hand(world.session.run((0, world.drives[11].preload(1000, 20))))
    world.session.begin_stopping()
    world.session.traffic.tell(world.drives[11].stop(), 0)
    run_by_hand(world.session.sleep(20 * MS))
    assert said(world) == ["preload.1", "stop", "clear_load"]


def test_what_undoes_half_a_load_keeps_the_gap_and_is_sent_once():
    """A drive misses what comes too soon: after the stop, and after the part that was out when it came."""
    world = Varied(compiled(preload_in_two(text(("gap: 0 ms", "gap: 5 ms"), name="in_two_slow"))), 11)
    world.guard.found_at(11, 0)
    world.reply_ns = 2 * MS

    async def stopped() -> None:
        fault = MachineFault("somebody found something", rule="a-rule")
        world.session.at(world.session.now() + MS, lambda now: world.session.report(fault))  # while the first is out
        with pytest.raises(MachineFault):
            await world.session.run((0, world.drives[11].preload(1000, 20)))
        world.session.begin_stopping()
        world.session.traffic.tell(world.drives[11].stop(), 0)
        await world.session.sleep(30 * MS)

    run_by_hand(stopped())
    assert [(at, message) for at, message, _ in world.sent()] == [
        (0, "preload.1"),
        (MS, "stop"),
        (6 * MS, "clear_load"),
    ]


def test_an_unanswered_part_that_never_leaves_ends_its_verb():
    """Also while the run is stopping, when nothing else limits it."""
    unanswered = preload_in_two(text(name="in_two_blind")).replace(
        "        reply: {on: reply, payload: [{constant: 0xC2}, {target: signed 32}], means: received}\n", ""
    )
    world = Varied(compiled(unanswered), 11)
    world.guard.found_at(11, 0)
    world.link.leave_after_ns = 1 << 60
    with pytest.raises(NoReply, match=r"\(1 of 2\) has not left the adapter within 200 ms") as raised:
        run_by_hand(world.session.run((0, world.drives[11].preload(1000, 20))))
    assert (raised.value.rule, raised.value.axis) == ("not-sent", "axis11")
    assert said(world) == ["preload.1", "clear_load"]
