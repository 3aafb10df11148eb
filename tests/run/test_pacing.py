"""Drives that must be spoken to slowly: gap, silence, how many requests may be out. Stops never wait."""

from collections.abc import Iterable
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from choreo.errors import MachineFault
from choreo.frame import Frame
from choreo.link.simulated import run_by_hand
from choreo.run.log import NoReply
from tests.drive.variants import compiled, preload_in_two, text
from tests.run.fake import MS, FakeLink
from tests.run.varied import STATUS, Varied

GAP = compiled(text(("gap: 0 ms", "gap: 5 ms")))
ONE_OUT = compiled(text(("latch: 0.5 ms", "latch: 0.5 ms\n  outstanding: 1")))
TWO_OUT = compiled(text(("latch: 0.5 ms", "latch: 0.5 ms\n  outstanding: 2")))
QUIET = compiled(text(("latch: 0.5 ms", "latch: 0.5 ms\n  quiet: {enable: 50 ms, write_setting: 7 ms, stop: 20 ms}")))
UNANSWERED = compiled(
    text(
        ("gap: 0 ms", "gap: 5 ms"),
        ("    reply:   {on: reply,   payload: [{constant: 0xB1}, {constant: 0x00}], means: accepted}\n", ""),
    )
)


def reads(world: Varied, *nodes: int):
    index = {node: place for place, node in enumerate(world.drives)}
    return run_by_hand(world.session.run(*((index[node], world.drives[node].read_position()) for node in nodes)))


def test_a_dialect_that_asks_for_nothing_is_spoken_to_at_once():
    world = Varied(compiled(text()), 11)
    reads(world, 11, 11, 11)
    assert world.times() == [0, MS, 2 * MS]


def test_the_gap_lies_between_two_requests_to_one_node():
    world = Varied(GAP, 11)
    reads(world, 11, 11, 11)
    assert world.times() == [0, 5 * MS, 10 * MS]


def test_the_gap_counts_from_when_a_frame_has_left():
    """What waits in an adapter would otherwise leave right behind it."""
    world = Varied(GAP, 11)
    world.link.leave_after_ns = 3 * MS
    world.reply_ns = 4 * MS
    reads(world, 11, 11)
    assert world.times() == [0, 8 * MS]


def test_other_nodes_need_not_wait():
    world = Varied(GAP, 11, 12)
    reads(world, 11, 12, 11, 12)
    assert world.times(11) == world.times(12) == [0, 5 * MS]


@given(st.lists(st.sampled_from([11, 12, 13]), min_size=1, max_size=12), st.integers(0, 9))
def test_no_two_requests_to_a_node_are_nearer_than_the_gap(nodes, reply_ms):
    world = Varied(GAP, 11, 12, 13)
    world.reply_ns = reply_ms * MS
    reads(world, *nodes)
    for node in (11, 12, 13):
        times = world.times(node)
        assert len(times) == nodes.count(node)
        assert all(new - old >= 5 * MS for old, new in pairwise(times))


def test_a_lost_request_is_asked_again_with_the_gap_kept():
    """The counted echo in between is a request too (practice.md P12)."""
    world = Varied(GAP, 11)
    world.silent = {"read_position"}
    with pytest.raises(NoReply):
        reads(world, 11)
    said = [message for _, message, _ in world.sent()]
    assert said == ["read_position", "echo", "read_position", "echo", "read_position"]
    times = world.times()
    assert all(new - old >= 5 * MS for old, new in pairwise(times))


def test_so_many_requests_are_out_over_all_nodes():
    world = Varied(ONE_OUT, 11, 12, 13)
    reads(world, 11, 12, 13)
    assert world.times() == [0, MS, 2 * MS]
    world = Varied(TWO_OUT, 11, 12, 13)
    reads(world, 11, 12, 13)
    assert world.times() == [0, 0, MS]


def test_a_lost_request_gives_its_place_free():
    world = Varied(ONE_OUT, 11, 12)
    world.silent = {"read_position"}
    with pytest.raises(NoReply):
        reads(world, 11, 12)
    assert [node for _, message, node in world.sent() if message == "read_position"].count(12) >= 1


def test_silence_after_the_reply_of_a_message():
    world = Varied(QUIET, 11)
    enabled = iter([0, 1])

    def says(frame: Frame) -> Iterable[tuple[int, Frame]]:
        if world.dialect.decode(frame).message != "status":
            return world.answers(frame)
        return [(MS, world.dialect.encode_reply("status", 11, fault=0, **{**STATUS, "enabled": next(enabled)}))]

    world.link.answers = says
    run_by_hand(world.session.run((0, world.drives[11].enable())))
    assert [(at, message) for at, message, _ in world.sent()] == [
        (0, "enable"),
        (51 * MS, "status"),  # 50 ms after the reply
        (57 * MS, "status"),  # a look every 5 ms, as ever
    ]


def test_the_unanswered_frame_of_a_conversation_waits_for_its_turn_too():
    world = Varied(UNANSWERED, 11)

    def both():
        yield from world.drives[11].read_position()
        yield from world.drives[11].disable()

    run_by_hand(world.session.run((0, both())))
    assert [(at, message) for at, message, _ in world.sent()] == [
        (0, "read_position"),
        (5 * MS, "disable"),
        (10 * MS, "status"),
    ]


def test_a_stop_never_waits_and_what_follows_it_does():
    """practice.md P13: stop first. The dialect asks for 20 ms of silence after a stop, and another stop breaks it."""
    world = Varied(QUIET, 11)
    traffic, drive = world.session.traffic, world.drives[11]

    def stopped():
        yield from drive.read_position()
        traffic.tell(drive.stop(), 0)
        traffic.tell(drive.stop(), 0)
        traffic.tell(drive.stop_all(), None)
        yield from drive.read_position()

    run_by_hand(world.session.run((0, stopped())))
    assert [(at, message) for at, message, _ in world.sent()] == [
        (0, "read_position"),
        (MS, "stop"),
        (MS, "stop"),
        (MS, "stop"),
        (21 * MS, "read_position"),
    ]


def test_a_broadcast_waits_until_every_node_may_be_spoken_to_and_nothing_else_is_asked_meanwhile():
    world = Varied(GAP, 11, 12)
    session, traffic = world.session, world.session.traffic

    async def start() -> None:
        await session.run((0, world.drives[11].read_position()), (1, world.drives[12].read_position()))
        asked: list[int] = []
        for node in (11, 12):
            ask = world.drives[node].poll_position()
            session.at(session.now() + 2 * MS, lambda now, ask=ask: traffic.ask(ask, asked_done(asked), failed))
        with traffic.hushed():
            await session.turns(traffic.may_broadcast)
            traffic.tell(world.drives[11].stop_all(), None)  # as good a broadcast as any, and needs no load
        await session.turns(lambda: len(asked) == 2)

    run_by_hand(start())
    assert [(at, message) for at, message, _ in world.sent()] == [
        (0, "read_position"),
        (0, "read_position"),
        (5 * MS, "stop"),
        (10 * MS, "read_position"),
        (10 * MS, "read_position"),
    ]


def asked_done(asked: list[int]):
    return lambda value, *_: asked.append(value)


def failed(error):
    raise error


def test_a_frame_that_never_leaves_does_not_hold_up_its_node_for_ever():
    """The adapter has a watch of its own; the session does not wait for it without end."""
    world = Varied(GAP, 11)
    world.link.leave_after_ns = 1 << 60
    reads(world, 11, 11)
    assert world.times() == [0, 200 * MS]


def test_a_link_of_the_usual_kind_is_not_asked_to_confirm_each_poll():
    link = FakeLink()
    world = Varied(compiled(text()), 11, link=link)
    world.session.traffic.ask(world.drives[11].poll_position(), lambda *_: None, failed)
    assert len(link.sent) == 1
    assert not link._heap  # no confirmation is on its way


class Withdrawing(FakeLink):
    """What would move an axis never leaves: it waits in the outbox until it is taken back."""

    def __init__(self, held: set[bytes]) -> None:
        super().__init__()
        self.held = held
        self.outbox: list[Frame] = []

    def submit(self, frame: Frame, *, confirm: bool = False) -> None:
        if frame.data[:1] in self.held:
            self.outbox.append(frame)
        else:
            super().submit(frame, confirm=confirm)

    def withdraw(self, unwanted):
        taken = [frame for frame in self.outbox if unwanted(frame)]
        self.outbox = [frame for frame in self.outbox if not unwanted(frame)]
        return taken


@pytest.mark.parametrize("dialect", [GAP, ONE_OUT, compiled(text())], ids=["gap", "one out", "as ever"])
def test_what_the_stop_took_back_holds_up_nobody(dialect):
    """A load that never left is not waited for, neither its answer nor its leaving: the reading after the stop is."""
    link = Withdrawing({b"\x42"})  # preload
    world = Varied(dialect, 11, link=link)
    link.answers = world.answers
    world.guard.found_at(11, 0)
    session, traffic, drive = world.session, world.session.traffic, world.drives[11]

    async def stopped() -> None:
        session.at(session.now() + MS, lambda now: session.report(MachineFault("found something", rule="a-rule")))
        with pytest.raises(MachineFault):
            await session.run((0, drive.preload(1000, 20)))
        (taken,) = session.begin_stopping()
        assert dialect.decode(taken).message == "preload"
        traffic.tell(drive.stop(), 0)
        for _ in range(3):
            await session.run((0, drive.read_position()))

    run_by_hand(stopped())
    said = [(at, message) for at, message, _ in world.sent()]
    gap = max(dialect.timing.gap_ns, MS)
    first = MS + dialect.timing.gap_ns
    assert said[0] == (MS, "stop")
    assert said[1:] == [(first + place * gap, "read_position") for place in range(3)]
    assert not session.traffic.lane(0).losses


def test_silence_after_a_verb_of_several_frames_begins_with_its_last():
    quiet = ("latch: 0.5 ms", "latch: 0.5 ms\n  quiet: {preload: 30 ms}")
    world = Varied(compiled(preload_in_two(text(quiet, name="in_two_quiet"))), 11)
    world.guard.found_at(11, 0)
    run_by_hand(world.session.run((0, world.drives[11].preload(1000, 20))))
    reads(world, 11)
    assert [(at, message) for at, message, _ in world.sent()] == [
        (0, "preload.1"),
        (3 * MS, "preload.2"),  # the reply after 1 ms, and 2 ms between the frames
        (34 * MS, "read_position"),  # its reply after 1 ms, and the silence
    ]
