"""
Error frames, error counters, bus off and its end.

facts.md A9 to A11: ISO 11898-1 and Bosch CAN 2.0, partly from memory there. Times at 500 kbit/s are 2 us a bit.
"""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from choreo.frame import Frame
from choreo_sim.bus_faults import Match
from choreo_sim.controller import ErrorState
from sim import bit_serial
from sim.wire import BIT, Wire

SYNC = Frame(0x080)  # 48 bits to the end of frame, 51 with the intermission: facts.md A7
TO_END, WHOLE = 48, 51
ACK_SLOT = TO_END - 7 - 1  # bit of the ACK slot: the delimiter and seven bits of end of frame follow it
ALWAYS = Match(times=None)


def counters(wire: Wire) -> list[tuple[int, int]]:
    return [(node.tec, node.rec) for node in wire.nodes]


# ---- an error frame --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("flag_bits", [6, 9, 12])
def test_an_error_frame_takes_17_to_23_bits_and_the_frame_is_sent_again(flag_bits: int) -> None:
    """facts.md A9: flags of 6 to 12 bits, 8 of delimiter, 3 of intermission."""
    wire = Wire()
    wire.bus.faults.corrupt(Match(), at_bit=20, flag_bits=flag_bits)
    wire.at(0, wire.nodes[0], SYNC)
    wire.run()
    assert [t_ns for t_ns, _, _ in wire.errors] == [20 * BIT]
    assert wire.heard["b"] == [((20 + flag_bits + 8 + 3 + TO_END) * BIT, SYNC)]
    assert wire.sent["a"] == wire.heard["b"]
    assert "bit 20 is wrong" in wire.errors[0][2]


def test_a_wrong_crc_is_signalled_after_the_ack_delimiter() -> None:
    wire = Wire()
    wire.bus.faults.corrupt(Match())
    wire.at(0, wire.nodes[0], SYNC)
    wire.run()
    assert wire.errors[0][0] == (TO_END - 7) * BIT
    assert wire.heard["b"] == [((TO_END - 7 + 23 + TO_END) * BIT, SYNC)]


def test_another_frame_may_win_before_the_retransmission() -> None:
    wire = Wire()
    wire.bus.faults.corrupt(Match(sender="a"), at_bit=20)
    wire.at(0, wire.nodes[0], Frame(0x300))
    wire.at(1_000, wire.nodes[1], SYNC)
    wire.run()
    assert wire.order() == ["b", "a"]
    assert wire.seen[0][0] == (20 + 23 + TO_END) * BIT


def test_an_error_in_the_last_bit_of_end_of_frame_makes_a_duplicate() -> None:
    """practice.md P6 (common practice, no source): receivers have it already, and get it again."""
    wire = Wire()
    wire.bus.faults.duplicate(Match())
    wire.at(0, wire.nodes[0], SYNC)
    wire.run()
    first, second = TO_END * BIT, (TO_END + 17 + TO_END) * BIT
    assert wire.heard["b"] == wire.heard["c"] == [(first, SYNC), (second, SYNC)]
    assert wire.sent["a"] == [(second, SYNC)]
    assert [t_ns for t_ns, _, _ in wire.seen] == [first, second]
    assert counters(wire) == [(8 - 1, 0), (0, 0), (0, 0)]


def test_counters_after_one_error_and_after_good_frames() -> None:
    """facts.md A10: sender + 8, receivers + 1; a good frame takes 1 away on each side."""
    wire = Wire()
    wire.bus.faults.corrupt(Match())
    wire.at(0, wire.nodes[0], SYNC)
    wire.run((TO_END - 7 + 1) * BIT)
    assert counters(wire) == [(8, 0), (0, 1), (0, 1)]
    wire.run(1_000_000)
    assert counters(wire) == [(7, 0), (0, 0), (0, 0)]
    for number in range(10):
        wire.at((2 + number) * 1_000_000, wire.nodes[0], SYNC)
    wire.run()
    assert counters(wire) == [(0, 0)] * 3
    assert wire.bus.calm


def test_every_controller_is_told_of_an_error_frame() -> None:
    wire = Wire()
    told: list[str] = []
    for node in wire.nodes:
        node.on_error = lambda what, t_ns, node=node: told.append(f"{node.name} {t_ns}: {what}")
    wire.bus.faults.corrupt(Match(), at_bit=20)
    wire.at(0, wire.nodes[0], SYNC)
    wire.run()
    assert told == [f"{name} 40000: error frame: bit 20 is wrong in 080# from a" for name in "abc"]


# ---- error passive ---------------------------------------------------------------------------------------------


def test_sixteen_errors_in_a_row_make_error_passive_and_thirty_two_bus_off() -> None:
    """facts.md A10, worked count."""
    wire = Wire()
    wire.bus.faults.corrupt(ALWAYS, at_bit=20)
    wire.at(0, wire.nodes[0], SYNC)
    node = wire.nodes[0]
    after: dict[int, tuple[int, ErrorState]] = {}
    wire.bus.error_taps.append(lambda what, t_ns, sender: after.update({len(wire.errors): (node.tec, node.state)}))
    wire.run()
    assert after[12] == (96, ErrorState.ACTIVE)
    assert after[15] == (120, ErrorState.ACTIVE)
    assert after[16] == (128, ErrorState.PASSIVE)
    assert after[31] == (248, ErrorState.PASSIVE)
    assert after[32] == (256, ErrorState.BUS_OFF)
    assert len(wire.errors) == 32
    assert [what.split(" (")[0] for _, what in wire.states["a"]] == ["a is error passive", "a is bus off"]
    assert wire.heard["b"] == []
    assert node.pending == 1


@pytest.mark.parametrize(("errors", "warned"), [(11, False), (12, True)])
def test_the_warning_limit(errors: int, warned: bool) -> None:
    """facts.md A10: 96, which is twelve sender errors."""
    wire = Wire()
    wire.bus.faults.corrupt(Match(times=errors), at_bit=20)
    wire.at(0, wire.nodes[0], SYNC)
    wire.run(errors * (20 + 23) * BIT - 1)
    assert wire.nodes[0].warning is warned


def test_an_error_passive_sender_waits_eight_bits_more() -> None:
    """facts.md A9, suspend transmission: after an error and after a good frame of its own."""
    wire = Wire()
    wire.bus.faults.corrupt(Match(times=17), at_bit=20)
    wire.at(0, wire.nodes[0], SYNC, SYNC)
    wire.run()
    errors = [t_ns // BIT for t_ns, _, _ in wire.errors]
    active = [20 + number * (20 + 23) for number in range(16)]
    assert errors == [*active, active[-1] + 23 + 8 + 20]
    first = errors[-1] + 23 + 8 + TO_END
    # 17 * 8 - 1 = 135 is above 127 still, so the second frame is suspended as well.
    assert [t_ns // BIT for t_ns, _, _ in wire.seen] == [first, first + 3 + 8 + TO_END]


def test_others_go_first_while_an_error_passive_sender_waits() -> None:
    wire = Wire()
    wire.bus.faults.corrupt(Match(times=16, sender="a"), at_bit=20)
    wire.at(0, wire.nodes[0], SYNC)
    end = 15 * 43 + 20 + 23  # bits: the intermission after the sixteenth error frame is over
    wire.at(end * BIT + 1, wire.nodes[1], Frame(0x7FF))
    wire.run()
    assert wire.order() == ["b", "a"]


def test_a_receiver_comes_back_from_error_passive_with_one_good_frame() -> None:
    """facts.md A10: above 127 a good frame sets it to a value between 119 and 127."""
    wire = Wire(nodes=2)
    wire.nodes[1].rec = 128 + 40
    wire.nodes[1].restate()
    wire.bus.calm = False
    assert wire.nodes[1].state is ErrorState.PASSIVE
    wire.at(0, wire.nodes[0], SYNC)
    wire.run()
    assert 119 <= wire.nodes[1].rec <= 127
    assert wire.nodes[1].state is ErrorState.ACTIVE


def test_a_lone_node_stops_at_error_passive() -> None:
    """facts.md A10: nobody acknowledges; the node tries for ever, and never goes bus off."""
    wire = Wire(nodes=1)
    wire.at(0, wire.nodes[0], SYNC)
    wire.run(20_000_000)
    node = wire.nodes[0]
    assert (node.tec, node.state) == (128, ErrorState.PASSIVE)
    assert len(wire.errors) > 100
    assert wire.errors[0][0] == ACK_SLOT * BIT
    assert wire.errors[1][0] == (ACK_SLOT + 17 + ACK_SLOT) * BIT
    assert wire.errors[17][0] - wire.errors[16][0] == (17 + 8 + ACK_SLOT) * BIT
    assert wire.seen == []


def test_a_lone_node_is_heard_as_soon_as_there_is_another() -> None:
    wire = Wire(nodes=1)
    wire.at(0, wire.nodes[0], SYNC)
    wire.run(20_000_000)
    heard: list[Frame] = []
    wire.bus.attach("late", lambda frame, t_ns: heard.append(frame))
    wire.run(21_000_000)
    assert heard == [SYNC]
    assert wire.nodes[0].pending == 0


# ---- bus off ---------------------------------------------------------------------------------------------------


def bus_off(bit_rate: int = 500_000, nodes: int = 3) -> Wire:
    """The first controller is bus off and has one frame left; nothing is on the bus."""
    wire = Wire(nodes=nodes, bit_rate=bit_rate)
    wire.bus.faults.corrupt(Match(sender="a", times=32), at_bit=20)
    wire.at(0, wire.nodes[0], SYNC)
    wire.run(100_000_000)
    assert wire.nodes[0].state is ErrorState.BUS_OFF
    return wire


def test_who_is_bus_off_neither_hears_nor_sends_nor_acknowledges() -> None:
    wire = bus_off(nodes=2)
    wire.nodes[0].send(Frame(0x100))
    wire.nodes[1].send(Frame(0x200))
    wire.run(110_000_000)
    assert wire.heard == {"a": [], "b": []}
    assert wire.errors[-1][1] == "b"  # nobody acknowledges
    assert wire.nodes[0].pending == 2


def test_bus_off_lasts_until_it_is_asked_to_end() -> None:
    wire = bus_off()
    wire.run(10_000_000_000)
    assert wire.nodes[0].state is ErrorState.BUS_OFF


@pytest.mark.parametrize(
    ("bit_rate", "ns"), [(125_000, 11_264_000), (250_000, 5_632_000), (500_000, 2_816_000), (1_000_000, 1_408_000)]
)
def test_recovery_on_an_idle_bus_takes_1408_bits(bit_rate: int, ns: int) -> None:
    """facts.md A11: 128 times 11 recessive bits; then the frame that was left is sent."""
    wire = bus_off(bit_rate)
    node = wire.nodes[0]
    asked = wire.kernel.now_ns
    node.recover()
    node.recover()  # asking twice changes nothing
    wire.run(asked + ns - 1)
    assert node.state is ErrorState.BUS_OFF
    wire.run(asked + ns)
    assert (node.state, node.tec, node.rec) == (ErrorState.ACTIVE, 0, 0)
    wire.run(asked + 2 * ns)
    assert wire.sent["a"] == [(asked + ns + TO_END * 1_000_000_000 // bit_rate, SYNC)]


def test_recovery_on_a_busy_bus_counts_one_occurrence_a_frame() -> None:
    """
    Frames one behind the other leave just eleven recessive bits: ACK delimiter, end of frame, intermission.

    So the 128th occurrence is over where the intermission after the 128th frame is (facts.md A1, A11).
    """
    wire = bus_off()
    asked = wire.kernel.now_ns
    wire.nodes[1].send(SYNC)
    wire.run(asked + 1)  # within the first frame
    wire.nodes[0].recover()
    for _ in range(199):
        wire.nodes[1].send(SYNC)
    wire.run(asked + 128 * WHOLE * BIT - 1)
    assert wire.nodes[0].state is ErrorState.BUS_OFF
    wire.run(asked + 128 * WHOLE * BIT)
    assert wire.nodes[0].state is ErrorState.ACTIVE


@given(st.lists(st.integers(0, 60), max_size=30))
def test_recovery_counts_whole_occurrences_in_every_gap(gaps: list[int]) -> None:
    """A second method: add up floor(gap / 11) over the recessive runs, bit by bit."""
    wire = bus_off()
    asked = wire.kernel.now_ns
    wire.nodes[0].recover()
    wire.nodes[0].clear()
    start, run, left, done = 0, 0, 128, None
    for gap in gaps:
        start += gap
        wire.at(asked + start * BIT, wire.nodes[1], SYNC)
        left -= (start - run) // 11
        start += WHOLE
        run = start - 11
    done = run + left * 11
    wire.run(asked + done * BIT - 1)
    assert wire.nodes[0].state is ErrorState.BUS_OFF
    wire.run(asked + done * BIT)
    assert wire.nodes[0].state is ErrorState.ACTIVE


# ---- one identifier, two senders -------------------------------------------------------------------------------


def test_the_same_frame_from_two_senders_is_one_frame() -> None:
    """practice.md P36 (common practice, no source): two nodes alike; while they say the same, nobody notices."""
    wire = Wire()
    for node in wire.nodes[:2]:
        wire.at(0, node, SYNC)
    wire.run()
    assert wire.seen == [(TO_END * BIT, "a", SYNC)]
    assert wire.sent["a"] == wire.sent["b"] == wire.heard["c"] == [(TO_END * BIT, SYNC)]
    assert wire.heard["a"] == wire.heard["b"] == []


def test_different_data_under_one_identifier_is_a_bit_error_at_the_first_difference() -> None:
    wire = Wire()
    one, other = Frame(0x123, b"\x12\x00"), Frame(0x123, b"\x12\x80")
    pairs = zip(bit_serial.wire(one), bit_serial.wire(other), strict=False)
    place = 1 + next(number for number, (a, b) in enumerate(pairs) if a != b)
    wire.at(0, wire.nodes[0], other)
    wire.at(0, wire.nodes[1], one)
    wire.run(place * BIT)
    assert [t_ns for t_ns, _, _ in wire.errors] == [place * BIT]
    assert f"bit {place} differs between a and b" in wire.errors[0][2]
    assert counters(wire) == [(8, 0), (8, 0), (0, 1)]


def test_such_a_conflict_ends_when_the_recessive_sender_is_error_passive() -> None:
    """
    Sixteen error frames make both error passive; then the recessive one's flag disturbs nobody, and both get through.

    From the rules of facts.md A9 and A10.
    """
    wire = Wire()
    dominant, recessive = Frame(0x123, b"\x12\x00"), Frame(0x123, b"\x12\x80")
    wire.at(0, wire.nodes[0], recessive)
    wire.at(0, wire.nodes[1], dominant)
    wire.run()
    assert len(wire.errors) == 16
    assert [frame for _, frame in wire.heard["c"]] == [dominant, recessive]
    assert counters(wire)[:2] == [(128 + 8 - 1, 0), (128 - 1, 0)]


def test_three_senders_of_one_identifier_all_get_through_in_the_end() -> None:
    wire = Wire(nodes=4)
    wanted = [Frame(0x123, b"\x80"), Frame(0x123, b"\x01"), Frame(0x123, b"\x81")]
    for node, frame in zip(wire.nodes, wanted, strict=False):
        wire.at(0, node, frame)
    wire.run()
    assert sorted(frame for _, frame in wire.heard["d"]) == sorted(wanted)
    assert all(node.pending == 0 for node in wire.nodes)


# ---- power -----------------------------------------------------------------------------------------------------


def test_a_device_without_power_neither_hears_nor_sends_and_forgets() -> None:
    wire = Wire()
    wire.at(0, wire.nodes[1], SYNC)
    wire.at(1, wire.nodes[0], Frame(0x300))
    wire.run(10 * BIT)
    wire.nodes[0].switch_off()
    wire.nodes[0].switch_off()
    wire.nodes[0].send(Frame(0x301))
    wire.run(1_000_000)
    assert wire.heard["a"] == []
    assert wire.order() == ["b"]
    wire.nodes[0].switch_on()
    wire.at(2_000_000, wire.nodes[1], SYNC)
    wire.run()
    assert len(wire.heard["a"]) == 1
    assert wire.order() == ["b", "b"]


def test_power_lost_within_an_own_frame_cuts_it_short() -> None:
    """After six bits without change everyone signals a stuff error: 6 + 23 bits later the next may start."""
    wire = Wire()
    wire.at(0, wire.nodes[0], SYNC)
    wire.at(0, wire.nodes[1], Frame(0x701, b"\x05"))
    wire.run(20 * BIT)
    wire.nodes[0].switch_off()
    wire.run()
    assert [(t_ns, what.split(" in ")[0]) for t_ns, _, what in wire.errors] == [
        (26 * BIT, "error frame: a fell silent"),
    ]
    assert wire.seen == [((26 + 23 + 55) * BIT, "b", Frame(0x701, b"\x05"))]
    # b and c each counted one error as receivers; c then received well, b sent.
    assert counters(wire) == [(0, 0), (0, 1), (0, 0)]


def test_power_lost_after_the_acknowledgement_does_not_destroy_the_frame() -> None:
    """What follows the ACK slot is recessive, with or without its sender."""
    wire = Wire()
    wire.at(0, wire.nodes[0], SYNC)
    wire.run(ACK_SLOT * BIT)
    wire.nodes[0].switch_off()
    wire.run()
    assert wire.heard["b"] == [(TO_END * BIT, SYNC)]
    assert wire.errors == []


def test_a_power_cycle_ends_bus_off() -> None:
    wire = bus_off()
    wire.nodes[0].recover()
    wire.nodes[0].switch_off()
    wire.nodes[0].switch_on()
    assert (wire.nodes[0].state, wire.nodes[0].tec) == (ErrorState.ACTIVE, 0)
    wire.nodes[0].send(SYNC)
    wire.run(wire.kernel.now_ns + 1_000_000)
    assert len(wire.sent["a"]) == 1


# ---- laws ------------------------------------------------------------------------------------------------------


@given(
    st.lists(st.tuples(st.integers(0, 3), st.integers(0, 2_000_000), st.binary(max_size=8)), max_size=25),
    st.lists(st.tuples(st.integers(1, 40), st.integers(2, 60), st.integers(6, 12)), max_size=10),
)
def test_with_error_frames_each_frame_still_arrives_exactly_once(sends: list, errors: list) -> None:
    """However many attempts are destroyed, short of bus off."""
    wire = Wire(nodes=4)
    for nth, at_bit, flag_bits in errors:
        wire.bus.faults.corrupt(Match(nth=nth), at_bit=at_bit, flag_bits=flag_bits)
    frames = [Frame(0x100 + 8 * number + sender, data) for number, (sender, _, data) in enumerate(sends)]
    for frame, (sender, t_ns, _) in zip(frames, sends, strict=True):
        wire.at(t_ns, wire.nodes[sender], frame)
    wire.run(1_000_000_000)
    for receiver, name in enumerate("abcd"):
        wanted = [frame for frame, (sender, _, _) in zip(frames, sends, strict=True) if sender != receiver]
        assert sorted(frame for _, frame in wire.heard[name]) == sorted(wanted)
    attempts = len(sends) + len(wire.errors)
    assert len(wire.errors) == sum(1 for nth in {nth for nth, _, _ in errors} if nth <= attempts)


def test_a_controller_that_goes_bus_off_in_the_middle_of_its_frame_leaves_the_bus_to_the_others() -> None:
    """The frame on the wire gets through; what else it had to send waits until it is back (facts.md A11)."""
    wire = Wire()
    sender, other = wire.nodes[:2]

    def off(_: object) -> None:
        sender.tec = 256
        sender.restate()

    wire.at(0, sender, SYNC)
    wire.kernel.at(20 * BIT, off)
    wire.at(30 * BIT, sender, Frame(0x081))
    wire.at(40 * BIT, other, Frame(0x123))
    wire.run()
    assert sender.state is ErrorState.BUS_OFF
    assert [(who, frame.id) for _, who, frame in wire.seen] == [("a", 0x080), ("b", 0x123)]
