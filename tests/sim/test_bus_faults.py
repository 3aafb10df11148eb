"""Fault rules of the bus: which frame, which attempt, what happens to it."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from choreo.frame import Frame
from choreo_sim.bus_faults import Match
from sim.wire import BIT, Wire

SYNC = Frame(0x080)  # 48 bits to the end of frame, 51 with the intermission: facts.md A7
TO_END, WHOLE = 48, 51


def many(wire: Wire, count: int, node: int = 0) -> None:
    """Frames numbered in their data byte, a millisecond apart."""
    for number in range(count):
        wire.at(number * 1_000_000, wire.nodes[node], Frame(0x123, bytes([number])))


def numbers(wire: Wire, name: str) -> list[int]:
    return [frame.data[0] for _, frame in wire.heard[name]]


def test_a_lost_frame_is_on_the_wire_and_acknowledged() -> None:
    wire = Wire()
    wire.bus.faults.lose(Match())
    wire.at(0, wire.nodes[0], SYNC)
    wire.run()
    assert wire.seen == [(TO_END * BIT, "a", SYNC)]
    assert wire.sent["a"] == [(TO_END * BIT, SYNC)]
    assert wire.heard["b"] == wire.heard["c"] == []
    assert wire.errors == []


def test_only_the_named_receivers_lose_it() -> None:
    wire = Wire(nodes=4)
    wire.bus.faults.lose(Match(), to=("b", "d"))
    wire.at(0, wire.nodes[0], SYNC)
    wire.run()
    assert [len(wire.heard[name]) for name in "abcd"] == [0, 0, 1, 0]


@pytest.mark.parametrize(
    ("match", "lost"),
    [
        (Match(), {0}),
        (Match(nth=3), {2}),
        (Match(nth=3, times=2), {2, 3}),
        (Match(nth=4, times=None), {3, 4, 5}),
        (Match(from_ns=2_000_000, times=None), {2, 3, 4, 5}),
        (Match(until_ns=2_000_000, times=None), {0, 1}),
        (Match(from_ns=1_000_000, until_ns=4_000_000, nth=2), {2}),
        (Match(data=lambda data: data[0] % 2 == 1, nth=2), {3}),
        (Match(identifier=0x123, sender="a"), {0}),
        (Match(identifier=0x124), set()),
        (Match(sender="b"), set()),
        (Match(extended=True), set()),
        (Match(extended=False), {0}),
    ],
)
def test_which_frames_a_rule_is_about(match: Match, lost: set[int]) -> None:
    wire = Wire()
    wire.bus.faults.lose(match)
    many(wire, 6)
    wire.run()
    assert numbers(wire, "b") == [number for number in range(6) if number not in lost]


@given(st.integers(1, 8), st.one_of(st.none(), st.integers(0, 8)))
def test_nth_and_times_pick_a_run_of_attempts(nth: int, times: int | None) -> None:
    wire = Wire()
    wire.bus.faults.lose(Match(nth=nth, times=times))
    many(wire, 8)
    wire.run()
    lost = range(nth - 1, 8 if times is None else nth - 1 + times)
    assert numbers(wire, "b") == [number for number in range(8) if number not in lost]


def test_a_retransmission_is_an_attempt_of_its_own() -> None:
    wire = Wire()
    wire.bus.faults.corrupt(Match(nth=2, times=2), at_bit=20)
    wire.at(0, wire.nodes[0], SYNC, SYNC)
    wire.run()
    assert [t_ns // BIT for t_ns, _, _ in wire.errors] == [WHOLE + 20, WHOLE + 20 + 23 + 20]
    assert len(wire.heard["b"]) == 2


def test_an_attempt_that_loses_the_arbitration_does_not_count() -> None:
    wire = Wire()
    wire.bus.faults.lose(Match(sender="b", nth=2))
    wire.at(0, wire.nodes[1], Frame(0x300, b"\x01"), Frame(0x300, b"\x02"))
    wire.at(0, wire.nodes[0], SYNC, SYNC, SYNC)
    wire.run()
    assert [frame.data for _, frame in wire.heard["c"] if frame.id == 0x300] == [b"\x01"]


def test_of_several_rules_the_first_acts_and_all_count() -> None:
    wire = Wire()
    wire.bus.faults.lose(Match(nth=2))
    wire.bus.faults.corrupt(Match(nth=2))  # the other rule's attempt is this one's second too: it never acts
    wire.bus.faults.duplicate(Match(nth=3))
    many(wire, 4)
    wire.run()
    assert numbers(wire, "b") == [0, 2, 2, 3]
    assert len(wire.errors) == 1  # that of the duplicate


def test_a_rule_added_during_a_run_counts_from_then_on() -> None:
    wire = Wire()
    many(wire, 6)
    wire.run(2_500_000)
    wire.bus.faults.lose(Match(nth=2))
    wire.run()
    assert numbers(wire, "b") == [0, 1, 2, 3, 5]


@pytest.mark.parametrize(("bits", "complaint"), [({"flag_bits": 5}, "6 to 12"), ({"flag_bits": 13}, "6 to 12")])
def test_error_flags_that_cannot_be(bits: dict, complaint: str) -> None:
    """facts.md A9."""
    wire = Wire()
    with pytest.raises(ValueError, match=complaint):
        wire.bus.faults.corrupt(Match(), **bits)


@pytest.mark.parametrize("at_bit", [1, 0, -3])
def test_an_error_before_the_second_bit_cannot_be(at_bit: int) -> None:
    wire = Wire()
    with pytest.raises(ValueError, match="the first that can be wrong is 2"):
        wire.bus.faults.corrupt(Match(), at_bit=at_bit)


@pytest.mark.parametrize("at_bit", [TO_END - 1, TO_END, 1000])
def test_an_error_beyond_the_last_but_one_bit_is_taken_as_that_one(at_bit: int) -> None:
    wire = Wire()
    wire.bus.faults.corrupt(Match(), at_bit=at_bit)
    wire.at(0, wire.nodes[0], SYNC)
    wire.run()
    assert wire.errors[0][0] == (TO_END - 1) * BIT
    assert len(wire.heard["b"]) == 1


def test_a_delayed_frame_waits_in_its_sender_and_others_overtake_it() -> None:
    wire = Wire()
    wire.bus.faults.delay(Match(identifier=0x100), 500_000)
    wire.at(0, wire.nodes[0], Frame(0x100), Frame(0x200))
    wire.run()
    assert [frame.id for _, _, frame in wire.seen] == [0x200, 0x100]
    assert wire.seen[1][0] - wire.seen[0][0] > 300_000


def test_behind_a_delayed_frame_a_first_in_first_out_queue_waits() -> None:
    wire = Wire(fifo="a")
    wire.bus.faults.delay(Match(identifier=0x100), 500_000)
    wire.at(0, wire.nodes[0], Frame(0x100), Frame(0x200))
    wire.run()
    assert [frame.id for _, _, frame in wire.seen] == [0x100, 0x200]
    assert wire.seen[0][0] > 500_000


def test_a_delay_counts_frames_as_they_are_queued() -> None:
    wire = Wire()
    wire.bus.faults.delay(Match(nth=2), 1_500_000)
    many(wire, 4)
    wire.run()
    assert numbers(wire, "b") == [0, 2, 1, 3]


def test_a_forged_frame_arbitrates_like_any_other_and_everyone_hears_it() -> None:
    wire = Wire()
    wire.bus.faults.forge(SYNC, 10)
    wire.bus.faults.forge(Frame(0x300), 10)
    wire.at(0, wire.nodes[0], Frame(0x701, b"\x05"))
    wire.at(10, wire.nodes[1], Frame(0x200))
    wire.run()
    assert wire.order() == ["a", "stranger", "b", "stranger"]
    assert [frame.id for _, frame in wire.heard["c"]] == [0x701, 0x080, 0x200, 0x300]
