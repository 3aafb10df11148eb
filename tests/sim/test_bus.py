"""
Timing, arbitration and queues of the simulated bus.

facts.md A1, A6 to A8: ISO 11898-1. Times at 500 kbit/s are 2 us a bit.
"""

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from choreo.frame import Frame
from choreo_sim.bus import Bus
from choreo_sim.controller import arbitration_key
from choreo_sim.kernel import Kernel
from sim import bit_serial
from sim.frames import frames
from sim.wire import BIT, Wire
from vectors import table

SYNC = Frame(0x080)  # 48 bits to the end of frame, 51 with the intermission: facts.md A7


# ---- how long a frame takes ------------------------------------------------------------------------------------


def test_a_frame_is_there_at_its_end_and_the_next_starts_after_the_intermission() -> None:
    """51 bits at 500 kbit/s are 102 us (facts.md A7); the receivers have the frame 3 bits earlier."""
    wire = Wire()
    wire.at(0, wire.nodes[0], SYNC, SYNC)
    wire.run()
    assert wire.heard["b"] == wire.heard["c"] == wire.sent["a"] == [(96_000, SYNC), (102_000 + 96_000, SYNC)]
    assert wire.heard["a"] == []


@pytest.mark.parametrize("bit_rate", [125_000, 250_000, 500_000, 1_000_000])
@pytest.mark.parametrize("row", table("frames"), ids=lambda row: f"{row['id']}-{row['data']}")
def test_worked_frames_take_their_exact_bits(row: dict[str, str], bit_rate: int) -> None:
    """facts.md A7, two in a row, started at a time that is no whole number of bits."""
    wire = Wire(bit_rate=bit_rate)
    frame = Frame(int(row["id"], 16), bytes.fromhex(row["data"]))
    bit = 1_000_000_000 // bit_rate
    end, whole = int(row["bits_to_end_of_frame"]) * bit, int(row["bits_with_intermission"]) * bit
    wire.at(777, wire.nodes[1], frame, frame)
    wire.run()
    assert wire.heard["a"] == [(777 + end, frame), (777 + whole + end, frame)]


@pytest.mark.parametrize("row", table("frame_durations_us"), ids=lambda row: f"{row['bytes']}-{row['bit_rate']}")
def test_durations_lie_between_no_stuffing_and_the_bound(row: dict[str, str]) -> None:
    """facts.md A6, for back-to-back frames of a varied payload."""
    wire = Wire(bit_rate=int(row["bit_rate"]))
    data = [bytes((37 * n + 11 * k) % 256 for k in range(int(row["bytes"]))) for n in range(20)]
    wire.at(0, wire.nodes[0], *(Frame(0x123, each) for each in data))
    wire.run()
    ends = [t_ns for t_ns, _ in wire.heard["b"]]
    assert len(ends) == 20
    for one, following in pairwise(ends):
        assert float(row["unstuffed_us"]) <= (following - one) / 1000 <= float(row["bound_us"])


def test_a_bit_rate_whose_bits_are_no_whole_nanoseconds() -> None:
    """83 333 bit/s: 48 bits are 576 002.304 us, rounded down to the nanosecond."""
    wire = Wire(bit_rate=83_333)
    wire.at(0, wire.nodes[0], SYNC)
    wire.run()
    assert wire.heard["b"] == [(48 * 1_000_000_000 // 83_333, SYNC)]


@pytest.mark.parametrize("bit_rate", [0, -1])
def test_a_bit_rate_that_cannot_be(bit_rate: int) -> None:
    with pytest.raises(ValueError, match="must be above zero"):
        Bus(Kernel(), bit_rate)


# ---- arbitration -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("winner", "loser"),
    [(0x181, 0x201), (0x201, 0x202), (0x080, 0x081), (0x581, 0x601), (0x000, 0x080), (0x581, 0x701)],
)
@pytest.mark.parametrize("first", [0, 1])
def test_the_lowest_identifier_wins(winner: int, loser: int, first: int) -> None:
    """facts.md A8, whoever asked first at that instant."""
    wire = Wire()
    offers = [(wire.nodes[0], Frame(winner)), (wire.nodes[1], Frame(loser))]
    for node, frame in offers[first:] + offers[:first]:
        wire.at(10, node, frame)
    wire.run()
    assert wire.order() == ["a", "b"]
    assert wire.seen[0][0] == 10 + (len(bit_serial.wire(Frame(winner))) - 3) * BIT


@pytest.mark.parametrize(
    ("winner", "loser"),
    [
        (Frame(0x123, b"\xff" * 8), Frame(0x123, remote=True)),
        (Frame(0x123), Frame(0x123 << 18, extended=True)),
        (Frame(0x123, remote=True), Frame(0x123 << 18, extended=True)),
        (Frame(0x123 << 18, b"\x01", extended=True), Frame(0x123 << 18, extended=True, remote=True)),
        (Frame(0x123 << 18, extended=True), Frame((0x123 << 18) + 1, extended=True)),
        (Frame((0x122 << 18) + 5, extended=True), Frame(0x123)),
    ],
)
def test_data_beats_remote_and_base_beats_extended(winner: Frame, loser: Frame) -> None:
    """facts.md A8."""
    wire = Wire()
    wire.at(0, wire.nodes[1], loser)
    wire.at(0, wire.nodes[0], winner)
    wire.run()
    assert wire.order() == ["a", "b"]


@given(frames(), frames())
def test_the_arbitration_key_orders_as_the_bits_on_the_wire_do(one: Frame, other: Frame) -> None:
    """Dominant is 0 and wins at the first difference in the arbitration field (facts.md A8), read bit by bit."""
    mine, theirs = arbitration_key(one), arbitration_key(other)
    fields = [bit_serial.unstuffed(frame)[: 33 if frame.extended else 14] for frame in (one, other)]
    differs = [pair for pair in zip(*fields, strict=False) if pair[0] != pair[1]]
    if differs:
        assert (mine < theirs) == (differs[0][0] == "0")
    else:
        assert mine == theirs


@given(st.lists(frames(), min_size=2, max_size=10, unique_by=arbitration_key))
def test_frames_ready_at_one_instant_leave_sorted_by_identifier(wanted: list[Frame]) -> None:
    wire = Wire(nodes=len(wanted))
    for node, frame in zip(wire.nodes, wanted, strict=True):
        wire.at(5, node, frame)
    wire.run()
    assert [frame for _, _, frame in wire.seen] == sorted(wanted, key=arbitration_key)


def test_the_loser_hears_the_winner_and_follows_after_the_intermission() -> None:
    wire = Wire(nodes=2)
    wire.at(0, wire.nodes[0], Frame(0x701, b"\x05"))
    wire.at(0, wire.nodes[1], SYNC)
    wire.run()
    assert wire.heard["a"] == [(48 * BIT, SYNC)]
    assert wire.heard["b"] == [((51 + 55) * BIT, Frame(0x701, b"\x05"))]  # facts.md A7: 55 bits


def test_nobody_interrupts_a_frame_that_has_begun() -> None:
    wire = Wire()
    wire.at(0, wire.nodes[0], Frame(0x701, b"\x05"))
    wire.at(1, wire.nodes[1], Frame(0x000))
    wire.run()
    assert wire.order() == ["a", "b"]


def test_a_better_frame_that_comes_during_the_intermission_goes_first() -> None:
    wire = Wire()
    wire.at(0, wire.nodes[0], SYNC, Frame(0x701, b"\x05"))
    wire.at(49 * BIT, wire.nodes[1], Frame(0x181, b"\x37\x04"))
    wire.at(51 * BIT, wire.nodes[2], SYNC)  # the very moment at which the next frame starts
    wire.run()
    assert wire.order() == ["a", "c", "b", "a"]
    assert [t_ns // BIT for t_ns, _, _ in wire.seen] == [48, 51 + 48, 102 + 63, 102 + 66 + 55]


def test_a_frame_sent_from_inside_a_callback_waits_for_the_intermission() -> None:
    wire = Wire(nodes=2)
    wire.nodes[1].on_frame = lambda frame, t_ns: wire.nodes[1].send(Frame(0x701, b"\x05"))
    wire.at(0, wire.nodes[0], SYNC)
    wire.run()
    assert wire.heard["a"] == [((51 + 55) * BIT, Frame(0x701, b"\x05"))]


# ---- queues ----------------------------------------------------------------------------------------------------


def test_a_device_sends_its_lowest_identifier_first_and_equal_ones_in_order() -> None:
    wire = Wire()
    wanted = [Frame(0x300, b"\x01"), Frame(0x200, b"\x01"), Frame(0x200, b"\x02"), Frame(0x100)]
    wire.at(0, wire.nodes[1], SYNC)
    wire.at(1, wire.nodes[0], *wanted)
    wire.run()
    sent = [frame for _, frame in wire.sent["a"]]
    assert sent == [Frame(0x100), Frame(0x200, b"\x01"), Frame(0x200, b"\x02"), Frame(0x300, b"\x01")]


def test_first_in_first_out_where_asked_for() -> None:
    wire = Wire(fifo="a")
    wanted = [Frame(0x300), Frame(0x200), Frame(0x7FF), Frame(0x100)]
    wire.at(0, wire.nodes[0], *wanted)
    wire.run()
    assert [frame for _, frame in wire.sent["a"]] == wanted


def test_a_queue_first_in_first_out_puts_a_low_identifier_behind_a_high_one_of_its_own() -> None:
    """Priority inversion: b's 0x200 goes before a's 0x100, which stands behind a's 0x300."""
    wire = Wire(fifo="a")
    wire.at(0, wire.nodes[0], Frame(0x300), Frame(0x100))
    wire.at(0, wire.nodes[1], Frame(0x200))
    wire.run()
    assert [frame.id for _, _, frame in wire.seen] == [0x200, 0x300, 0x100]


@pytest.mark.parametrize("fifo", ["a", ""])
def test_a_frame_does_not_start_before_its_time(fifo: str) -> None:
    wire = Wire(fifo=fifo)
    wire.nodes[0].send(SYNC, 5_000)
    wire.run()
    assert wire.seen == [(5_000 + 48 * BIT, "a", SYNC)]


def test_a_frame_that_must_wait_holds_up_a_queue_first_in_first_out_only() -> None:
    for fifo, order in (("a", [0x200, 0x100]), ("", [0x100, 0x200])):
        wire = Wire(fifo=fifo)
        wire.nodes[0].send(Frame(0x200), 1_000_000)
        wire.nodes[0].send(Frame(0x100), 10)
        wire.run()
        assert [frame.id for _, _, frame in wire.seen] == order
        assert wire.nodes[0].pending == 0


def test_frames_of_one_device_that_are_ready_at_different_times() -> None:
    """Whatever the order of asking, each starts when it is ready and the bus is free; a higher one overtakes none."""
    wire = Wire()
    node = wire.nodes[0]
    node.send(Frame(0x100), 900_000)
    node.send(Frame(0x300), 300_000)
    node.send(Frame(0x200), 600_000)
    node.send(Frame(0x400))
    assert node.pending == 4
    wire.run()
    assert [frame.id for _, _, frame in wire.seen] == [0x400, 0x300, 0x200, 0x100]
    starts = [t_ns - (len(bit_serial.wire(frame)) - 3) * BIT for t_ns, _, frame in wire.seen]
    assert starts == [0, 300_000, 600_000, 900_000]


def test_clearing_takes_back_everything_but_what_is_on_the_wire() -> None:
    wire = Wire()
    node = wire.nodes[0]
    wire.at(0, node, SYNC, Frame(0x300), Frame(0x200))
    wire.kernel.at(10 * BIT, lambda _: node.send(Frame(0x250), 900_000))
    wire.run(20 * BIT)
    assert node.pending == 4
    assert node.clear() == [Frame(0x200), Frame(0x250), Frame(0x300)]
    assert node.pending == 1
    wire.run()
    assert [frame for _, _, frame in wire.seen] == [SYNC]


def test_clearing_before_the_start_leaves_the_bus_to_others() -> None:
    wire = Wire()
    wire.at(0, wire.nodes[0], SYNC)
    wire.at(0, wire.nodes[1], Frame(0x701, b"\x05"))
    wire.kernel.at(0, lambda _: wire.nodes[0].clear(), priority=1)
    wire.run()
    assert wire.seen == [(55 * BIT, "b", Frame(0x701, b"\x05"))]


def test_clearing_from_the_hook_that_says_that_a_frame_has_left() -> None:
    wire = Wire()
    node = wire.nodes[0]
    node.on_sent = lambda frame, t_ns: node.clear()
    wire.at(0, node, SYNC, Frame(0x300))
    wire.run()
    assert [frame for _, _, frame in wire.seen] == [SYNC]
    assert node.pending == 0


def test_frames_that_can_cannot_carry_are_refused_and_leave_nothing_behind() -> None:
    wire = Wire()
    with pytest.raises(ValueError, match="does not fit into 11 bits"):
        wire.nodes[0].send(Frame(0x800))
    assert wire.nodes[0].pending == 0


# ---- hearing ---------------------------------------------------------------------------------------------------


def test_an_acceptance_filter_lets_only_its_identifiers_through() -> None:
    wire = Wire(nodes=1)
    heard: list[Frame] = []
    wire.bus.attach(
        "filtered",
        lambda frame, t_ns: heard.append(frame),
        accepts=lambda identifier, extended: identifier == 0x123 and not extended,
    )
    wanted = [Frame(0x123), Frame(0x124), Frame(0x123, extended=True), Frame(0x123, b"\x01")]
    for t_ns, frame in enumerate(wanted):
        wire.at(t_ns * 1_000_000, wire.nodes[0], frame)
    wire.run()
    assert heard == [Frame(0x123), Frame(0x123, b"\x01")]


def test_who_is_attached_later_hears_what_follows() -> None:
    wire = Wire(nodes=2)
    wire.at(0, wire.nodes[0], SYNC)
    wire.run(1_000_000)
    late: list[Frame] = []
    wire.bus.attach("late", lambda frame, t_ns: late.append(frame))
    wire.at(2_000_000, wire.nodes[0], SYNC)
    wire.run()
    assert late == [SYNC]


# ---- laws ------------------------------------------------------------------------------------------------------

#: (sender, time in ns, identifier's high part, data): each node has identifiers of its own, as on a real bus.
SENDS = st.lists(
    st.tuples(st.integers(0, 4), st.integers(0, 3_000_000), st.integers(0, 255), st.binary(max_size=8)),
    max_size=40,
)


@given(SENDS, st.sampled_from(["", "ace"]))
def test_without_faults_each_frame_reaches_each_other_node_exactly_once(sends: list, fifo: str) -> None:
    wire = Wire(nodes=5, fifo=fifo)
    for sender, t_ns, high, data in sends:
        wire.at(t_ns, wire.nodes[sender], Frame(high << 3 | sender, data))
    wire.run(100_000_000)
    for receiver, name in enumerate("abcde"):
        wanted = sorted(Frame(high << 3 | sender, data) for sender, _, high, data in sends if sender != receiver)
        assert sorted(frame for _, frame in wire.heard[name]) == wanted
    assert all(node.pending == 0 for node in wire.nodes)


@given(SENDS, st.sampled_from(["", "ace"]))
def test_frames_never_overlap_and_the_bus_is_never_idle_while_one_waits(sends: list, fifo: str) -> None:
    wire = Wire(nodes=5, fifo=fifo)
    for sender, t_ns, high, data in sends:
        wire.at(t_ns, wire.nodes[sender], Frame(high << 3 | sender, data))
    wire.run(100_000_000)
    asked = sorted(t_ns for _, t_ns, _, _ in sends)
    free = 0
    for number, (end, _, frame) in enumerate(wire.seen):
        bits = len(bit_serial.wire(frame))
        start = end - (bits - 3) * BIT
        # As many have left as were asked for: then the next start is that of the next frame, else the bus is free.
        waiting = asked[number] <= free
        assert start == (free if waiting else asked[number])
        free = start + bits * BIT


@given(SENDS)
def test_the_same_sends_give_the_same_bus(sends: list) -> None:
    logs = []
    for _ in range(2):
        wire = Wire(nodes=5)
        for sender, t_ns, high, data in sends:
            wire.at(t_ns, wire.nodes[sender], Frame(high << 3 | sender, data))
        wire.run(100_000_000)
        logs.append(wire.seen)
    assert logs[0] == logs[1]
