"""Response times: facts.md A12 to A14; Davis, Burns, Bril, Lukkien, Real-Time Systems 35 (2007)."""

import heapq
from fractions import Fraction

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from choreo.wire.lengths import longest_ns
from choreo.wire.responses import ERROR_BITS, LONGEST_BUSY_NS, Message, response_times, utilisation
from vectors import table

MS = 1_000_000
BIT_RATE = 125_000
BIT_NS = 8_000


def ms(text):
    exact = Fraction(text) * MS
    assert exact.denominator == 1
    return exact.numerator


def three(*periods):
    """facts.md A13: each message takes 1 ms; deadlines 2.5, 3.25 and 3.25 ms."""
    deadlines = ("2.5", "3.25", "3.25")
    return [
        Message(i, MS, ms(period), deadline_ns=ms(deadline))
        for i, (period, deadline) in enumerate(zip(periods, deadlines, strict=True), 1)
    ]


def simulated(messages, until_ns, first_at=None):
    """
    The longest response of each message on a bus that always sends the most urgent waiting frame: an event simulation
    without the analysis. Released from `first_at` on, strictly periodically.
    """
    releases = [(0 if first_at is None else first_at[i], i) for i in range(len(messages))]
    heapq.heapify(releases)
    waiting, worst, now = [], [0] * len(messages), 0
    while releases or waiting:
        if not waiting:
            now = max(now, releases[0][0])
        while releases and releases[0][0] <= now:
            at, i = heapq.heappop(releases)
            heapq.heappush(waiting, (messages[i].urgency, at, i))
            if at + messages[i].period_ns < until_ns:
                heapq.heappush(releases, (at + messages[i].period_ns, i))
        _, at, i = heapq.heappop(waiting)
        now += messages[i].transmission_ns
        worst[i] = max(worst[i], now - at)
    return worst


def test_the_example_that_refuted_the_old_analysis():
    """facts.md A13: the second instance of C needs 3.5 ms, which only an analysis of every instance finds."""
    a, b, c = response_times(three("2.5", "3.5", "3.5"), BIT_RATE)
    assert [r.worst_ns for r in (a, b, c)] == [2 * MS, 3 * MS, ms("3.5")]
    assert [r.instances for r in (a, b, c)] == [1, 2, 2]
    assert [r.blocking_ns for r in (a, b, c)] == [MS, MS, 0]
    assert [r.in_time for r in (a, b, c)] == [True, True, False]


def test_the_simulated_bus_takes_as_long_as_the_example_says():
    """facts.md A13: 3.5 ms for C, 1.5 and 2.0 ms for A and B in this phasing."""
    assert simulated(three("2.5", "3.5", "3.5"), 50 * MS) == [ms("1.5"), ms("2.0"), ms("3.5")]


def test_an_overfull_bus_has_no_bound():
    """facts.md A13, second part: utilisation 1.0154; C grows to 19.75 ms within 325 ms."""
    messages = three("2.5", "3.25", "3.25")
    assert float(utilisation(messages)) == pytest.approx(1.0154, abs=5e-5)
    assert [r.worst_ns for r in response_times(messages, BIT_RATE)] == [2 * MS, 3 * MS, None]
    assert [r.in_time for r in response_times(messages, BIT_RATE)] == [True, True, False]
    assert simulated(messages, 325 * MS)[2] == ms("19.75")


def seven(with_jitter):
    return [
        Message(i, longest_ns(int(row["bytes"]), BIT_RATE), ms(row["T"]), ms(row["J"]) if with_jitter else 0)
        for i, row in enumerate(table("response_times_ms"))
    ]


def test_seven_messages():
    """facts.md A14."""
    rows = table("response_times_ms")
    assert [m.transmission_ns for m in seven(True)] == [ms(row["C"]) for row in rows]
    assert utilisation(seven(True)) == Fraction("0.4932")
    found = response_times(seven(True), BIT_RATE)
    assert [r.worst_ns for r in found] == [ms(row["R"]) for row in rows]
    assert [r.blocking_ns for r in found] == [ms(row["B"]) for row in rows]
    assert [r.instances for r in found] == [int(row["Q"]) for row in rows]
    assert all(r.in_time for r in found)
    still = response_times(seven(False), BIT_RATE)
    assert [r.worst_ns for r in still] == [ms(row["R_no_jitter"]) for row in rows]
    assert all(r.worst_ns >= ms(row["simulated"]) for r, row in zip(still, rows, strict=True))


def test_the_order_in_which_messages_are_given_does_not_matter():
    forwards, backwards = seven(True), seven(True)[::-1]
    assert response_times(forwards, BIT_RATE) == response_times(backwards, BIT_RATE)[::-1]


messages_on_a_bus = st.lists(
    st.tuples(st.integers(0, 8), st.integers(2, 60), st.integers(0, 60)), min_size=1, max_size=6
)


@given(messages_on_a_bus)
def test_no_simulated_response_exceeds_the_analysis(rows):
    """Random periods and offsets in ms; the simulation knows nothing of the analysis."""
    messages = [Message(i, longest_ns(n, BIT_RATE), period * MS) for i, (n, period, _) in enumerate(rows)]
    assume(utilisation(messages) < Fraction(98, 100))
    found = response_times(messages, BIT_RATE)
    observed = simulated(messages, 400 * MS, [offset * MS for _, _, offset in rows])
    assert all(seen <= r.worst_ns for seen, r in zip(observed, found, strict=True))


@given(messages_on_a_bus, st.integers(0, 5))
def test_more_jitter_or_more_errors_never_make_a_response_shorter(rows, more):
    messages = [Message(i, longest_ns(n, BIT_RATE), period * MS) for i, (n, period, _) in enumerate(rows)]
    assume(utilisation(messages) < Fraction(9, 10))
    late = [Message(m.identifier, m.transmission_ns, m.period_ns, more * MS) for m in messages]
    plain = response_times(messages, BIT_RATE)
    for worse in (response_times(late, BIT_RATE), response_times(messages, BIT_RATE, errors=more)):
        assert all(a.worst_ns <= b.worst_ns for a, b in zip(plain, worse, strict=True))


def test_the_most_urgent_message_waits_for_one_frame_only():
    messages = seven(False)
    (first, *_) = response_times(messages, BIT_RATE)
    assert first.worst_ns == max(m.transmission_ns for m in messages) + messages[0].transmission_ns


def test_the_jitter_of_a_more_urgent_message_makes_two_of_its_frames_meet():
    """
    By hand: one frame is 9.5 ms late, and the next, due 0.5 ms later, on time. Both go before the less urgent frame:
    3 ms. The simulation, released so, takes as long.
    """
    messages = [Message(1, MS, 10 * MS, jitter_ns=ms("9.5")), Message(2, MS, 100 * MS)]
    assert response_times(messages, BIT_RATE)[1].worst_ns == 3 * MS
    both = [Message(1, MS, 10 * MS), Message(1, MS, 10 * MS), Message(2, MS, 100 * MS)]
    assert simulated(both, MS, [0, MS // 2, 0])[2] == 3 * MS


def test_a_message_later_than_its_own_period():
    """By hand, facts.md A12: C 1, T 2, J 5 ms alone. Busy for 5 ms, 5 frames, the first of them answered after 6 ms."""
    (found,) = response_times([Message(1, MS, 2 * MS, jitter_ns=5 * MS)], BIT_RATE)
    assert (found.instances, found.worst_ns, found.in_time) == (5, 6 * MS, False)


def test_a_bus_without_a_free_moment_has_no_bound():
    """facts.md A12: a busy period ends only if the utilisation is below 1."""
    assert response_times([Message(1, MS, MS)], BIT_RATE)[0].worst_ns is None


def test_an_error_costs_its_flag_and_the_frame_again():
    """facts.md A12: 31 bits and the longest affected frame; by hand for one message alone, 1 ms at 125 kbit/s."""
    alone = [Message(1, MS, 100 * MS)]
    for errors in (0, 1, 3):
        (found,) = response_times(alone, BIT_RATE, errors)
        assert found.worst_ns == MS + errors * (ERROR_BITS * BIT_NS + MS)
    with pytest.raises(ValueError, match="negative"):
        response_times(alone, BIT_RATE, -1)


def test_messages_that_share_an_identifier_are_each_taken_as_the_later_one():
    twins = [Message(5, MS, 100 * MS), Message(5, 2 * MS, 100 * MS)]
    assert [r.worst_ns for r in response_times(twins, BIT_RATE)] == [3 * MS, 3 * MS]
    assert [r.blocking_ns for r in response_times(twins, BIT_RATE)] == [0, 0]


def test_a_base_frame_is_more_urgent_than_an_extended_one_with_the_same_leading_bits():
    """facts.md A8."""
    base, extended = Message(0x123, MS, MS), Message(0x123 << 18, MS, MS, extended=True)
    later, sooner = Message(0x124, MS, MS), Message((0x122 << 18) + 0x3FFFF, MS, MS, extended=True)
    assert sorted([later, extended, base, sooner], key=lambda m: m.urgency) == [sooner, base, extended, later]


@pytest.mark.parametrize("last_ns", [1, 3])
def test_a_bus_that_is_all_but_full_ends_without_a_bound_instead_of_searching_for_ever(last_ns):
    """
    Two messages that leave 1.5e-9 of the time free. With 1 ns more the busy period ends by a hair and the response does
    not; with 3 ns neither does within any time that matters.
    """
    period = 10**9
    nearly = [Message(1, period // 2, period), Message(2, period // 2 - 1, period + 1), Message(3, last_ns, 10**12)]
    assert utilisation(nearly) < 1
    found = response_times(nearly, BIT_RATE)[2]
    assert (found.worst_ns, found.in_time) == (None, False)
    assert period < LONGEST_BUSY_NS < 10**10


def test_no_messages_are_no_load():
    assert utilisation([]) == 0
    assert response_times([], BIT_RATE) == []


@pytest.mark.parametrize(
    "wrong",
    [
        {"identifier": 0x800},
        {"identifier": -1},
        {"identifier": 1 << 29, "extended": True},
        {"transmission_ns": 0},
        {"period_ns": 0},
        {"jitter_ns": -1},
        {"deadline_ns": 0},
    ],
)
def test_messages_that_cannot_be_are_refused(wrong):
    with pytest.raises(ValueError, match=r"message|identifier"):
        Message(**({"identifier": 1, "transmission_ns": MS, "period_ns": 10 * MS} | wrong))
