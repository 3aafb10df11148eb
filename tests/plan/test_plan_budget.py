"""The bus under polling: load and worst response."""

from fractions import Fraction as F
from types import SimpleNamespace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from choreo.plan.budget import COMMAND_BYTES, budget
from choreo.wire.dialect import Timing
from choreo.wire.lengths import longest_ns
from choreo.wire.responses import Message, response_times

MS = 1_000_000


def dialect(request=1, reply=5, within_ns=3 * MS, *, extended=False, events=None, **timing):
    return SimpleNamespace(
        name="a dialect",
        position_message="read_position",
        poll_bytes=(request, reply),
        extended=extended,
        event_periods=events or {},
        event_bytes=dict.fromkeys(events or {}, 5),
        timing=Timing(**{"gap_ns": 0, "cycle_ns": 0, "latch_ns": 0, "reply_within_ns": within_ns, **timing}),
    )


def test_sixty_axes_fill_a_bus():
    """practice.md P29: 60 axes at 50 Hz, one-byte request, five-byte reply: 510 kbit/s by the bound of facts.md A4."""
    bus = budget([dialect()] * 60, 500_000, 20 * MS)
    assert bus.bits_per_second == 510_000
    assert bus.load == F(51, 50)
    assert bus.worst_response_ns is None


def test_the_same_axes_have_room_on_a_faster_bus_and_with_slower_polls():
    """practice.md P29: at 1 Mbit/s, or slower polls."""
    assert budget([dialect()] * 60, 1_000_000, 20 * MS).load == F(51, 100)
    assert budget([dialect()] * 60, 500_000, 50 * MS).load == F(51, 125)


def test_four_axes_answer_within_the_few_milliseconds_that_the_reaction_counts_with():
    """practice.md P9 counts with 5 ms; this is a bound with a command beside the polls, so somewhat more."""
    bus = budget([dialect()] * 4, 500_000, 20 * MS)
    assert bus.load == F(4 * 170 * 50, 500_000)
    # At the least: all eight polls, one command and its reply on the wire (facts.md A6), and the drive's 3 ms.
    least = 4 * (130_000 + 210_000) + 2 * 270_000 + 3 * MS
    assert least <= bus.worst_response_ns <= 8 * MS


def holistic(kinds, bit_rate, poll_ns):
    """The same analysis written out: every stream a message of its own, until the jitter of the replies is stable."""
    slowest = max(within for _, _, within in kinds)
    jitter = slowest
    for _ in range(20):
        frames = [(COMMAND_BYTES, False), (COMMAND_BYTES, True)]
        for request, reply, _ in kinds:
            frames += [(request, False), (reply, True)]
        messages = [
            Message(0x100, longest_ns(size, bit_rate), poll_ns, jitter if is_reply else 0) for size, is_reply in frames
        ]
        found = response_times(messages, bit_rate)
        worst = {
            which: [r.worst_ns for r, (_, is_reply) in zip(found, frames, strict=True) if is_reply is which]
            for which in (False, True)
        }
        if None in worst[False] or None in worst[True]:
            return None
        if max(worst[False]) + slowest == jitter:
            return max(worst[True])
        jitter = max(worst[False]) + slowest
    return None


@settings(max_examples=30)
@given(
    st.lists(st.tuples(st.integers(0, 8), st.integers(1, 8), st.sampled_from([0, MS, 3 * MS])), min_size=1, max_size=4),
    st.sampled_from([125_000, 500_000]),
    st.sampled_from([10 * MS, 20 * MS, 50 * MS]),
)
def test_frames_put_together_are_analysed_like_frames_written_out(kinds, bit_rate, poll_ns):
    """facts.md A12, with every frame taken for the least urgent."""
    found = budget([dialect(*kind) for kind in kinds], bit_rate, poll_ns).worst_response_ns
    written_out = holistic(kinds, bit_rate, poll_ns)
    if found is None:
        assert written_out is None
    else:
        let_out = 7 * 2 * longest_ns(8, bit_rate) + max(within for _, _, within in kinds)
        assert found == (let_out if written_out is None else min(let_out, written_out))


def test_however_many_axes_there_are_the_window_bounds_the_response():
    few, many = (budget([dialect()] * axes, 1_000_000, 50 * MS).worst_response_ns for axes in (8, 60))
    # Seven exchanges with the longest frames (facts.md A6: 135 us at 1 Mbit/s) and the drive's own time.
    assert few <= many == 14 * 135_000 + 3 * MS


def test_reply_timeouts_are_twice_the_worst_response_and_never_below_20_ms(bench):
    body = "steps:\n  - dwell: 1 s\n"
    assert {axis.reply_timeout_ns for axis in bench.plan(body).axes} == {20 * MS}
    bench.machine("500 kbit/s", "50 kbit/s")
    bench.machine("poll: 50 Hz", "poll: 5 Hz")
    plan = bench.plan(body)
    worst = budget(list(plan.dialects.values()) * 5, 50_000, 200 * MS).worst_response_ns
    for axis in plan.axes:
        assert 2 * worst < axis.reply_timeout_ns <= 2 * worst + 6 * MS


@pytest.mark.parametrize(("poll", "ns"), [("50 Hz", 20 * MS), ("30 Hz", 33_333_333), ("0.2 kHz", 5 * MS)])
def test_the_poll_period_is_rounded_to_a_nanosecond(bench, poll, ns):
    bench.machine("poll: 50 Hz", f"poll: {poll}")
    assert bench.plan("steps:\n  - dwell: 1 s\n").poll_ns == ns


# Drives that must be spoken to slowly. Frame lengths are those of facts.md A4 (ISO 11898-1), checked elsewhere.


def test_a_gap_bounds_how_often_a_node_can_be_polled():
    """From one request to the next: its frame and the gap, or the whole exchange, whichever is longer."""
    request, reply = longest_ns(1, 500_000), longest_ns(5, 500_000)
    assert budget([dialect()], 500_000, 20 * MS).node_ns == 0  # nothing is asked for
    assert budget([dialect(gap_ns=25 * MS)], 500_000, 20 * MS).node_ns == request + 25 * MS
    assert budget([dialect(gap_ns=1)], 500_000, 20 * MS).node_ns == request + 3 * MS + reply


def test_silence_after_the_poll_comes_on_top_of_the_exchange():
    slow = dialect(quiet={"read_position": 30 * MS})
    assert budget([slow], 500_000, 20 * MS).node_ns == longest_ns(1, 500_000) + 33 * MS + longest_ns(5, 500_000)


def test_a_command_holds_up_a_poll_by_its_gap_or_its_silence():
    frames = 2 * longest_ns(8, 500_000)
    assert budget([dialect()], 500_000, 20 * MS).held_up_ns == 0
    assert budget([dialect(quiet={"start": 12 * MS})], 500_000, 20 * MS).held_up_ns == frames + 15 * MS
    assert budget([dialect(quiet={"enable": 50 * MS})], 500_000, 20 * MS).held_up_ns == frames + 3 * MS


def test_requests_one_at_a_time_make_a_round_longer():
    exchange = longest_ns(1, 500_000) + 3 * MS + longest_ns(5, 500_000)
    assert budget([dialect()] * 8, 500_000, 20 * MS).round_ns == 2 * exchange
    assert budget([dialect(outstanding=1)] * 8, 500_000, 20 * MS).round_ns == 8 * exchange


def test_long_identifiers_make_long_frames():
    """29-bit identifiers: 20 bits more, and what may be stuffed into them (facts.md A4)."""
    short, long = budget([dialect()], 500_000, 20 * MS), budget([dialect(extended=True)], 500_000, 20 * MS)
    assert long.bits_per_second - short.bits_per_second == 2 * 50 * (20 + 5)


def test_what_drives_send_of_themselves_is_on_the_bus_too():
    """A frame of five bytes every 10 ms, of each of eight drives: 105 bits at the most (facts.md A4)."""
    silent = budget([dialect()] * 8, 500_000, 20 * MS)
    pushing = budget([dialect(events={"position": 10 * MS})] * 8, 500_000, 20 * MS)
    assert pushing.bits_per_second - silent.bits_per_second == 8 * 100 * longest_ns(5, 500_000) // 2000
    assert pushing.worst_response_ns > silent.worst_response_ns
    assert budget([dialect(events={"position": 1 * MS})] * 5, 500_000, 20 * MS).worst_response_ns is None  # full


def test_what_a_real_adapter_adds_is_in_the_response_and_in_the_round():
    """One exchange after the other through the adapter, as many side by side as the window lets out."""
    plain, slow = (budget([dialect()] * 8, 500_000, 20 * MS, adapter_ns=ns) for ns in (0, 4 * MS))
    assert slow.worst_response_ns == plain.worst_response_ns + 4 * MS
    assert slow.round_ns == plain.round_ns + 2 * 4 * MS
    assert slow.load == plain.load
    assert budget([dialect()] * 60, 500_000, 20 * MS, adapter_ns=4 * MS).worst_response_ns is None
