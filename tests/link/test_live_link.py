"""
The live link on buses of our own making, with and without a file descriptor.

Promises come from the port's docstrings; P numbers are practice.md (common practice, no source).
"""

import signal
import threading
from collections.abc import Callable, Iterator

import can
import pytest

from choreo.errors import LinkLost
from choreo.frame import Frame
from choreo.link import arrivals, live
from choreo.link.arrivals import Counts
from choreo.link.live import LiveLink
from choreo.link.port import AdapterLost, Answer, BusTrouble, Confirmed, Interrupt
from choreo.link.simulated import run_by_hand
from link.fake_bus import BabblingBus, DeadLineBus, DescriptorBus, FakeBus, echo_of, message
from link.waiting import LONG_S, bits, in_thread, receive, receive_many

MS = 1_000_000
Open = Callable[..., LiveLink]


@pytest.fixture(params=[FakeBus, DescriptorBus], ids=["receive thread", "descriptor"])
def bus(request: pytest.FixtureRequest) -> FakeBus:
    return request.param()


@pytest.fixture
def open_link() -> Iterator[Open]:
    links: list[LiveLink] = []

    def open_(bus: can.BusABC, **options: object) -> LiveLink:
        links.append(LiveLink(bus, **options))  # type: ignore[arg-type]
        return links[-1]

    yield open_
    for link in links:
        link.close()


# ---- receiving -------------------------------------------------------------------------------------------------


def test_frames_come_in_order_with_their_time_of_arrival(bus: FakeBus, open_link: Open) -> None:
    link = open_link(bus)
    before = link.now_ns()
    bus.feed(message(0x12C, b"\x92\x01"), message(0x1234567, b"\xff", is_extended_id=True))
    bus.feed(message(0x7FF, is_remote_frame=True, dlc=4))
    got = receive_many(link, 3)
    assert bits(got) == [
        (0x12C, b"\x92\x01", False, False),
        (0x1234567, b"\xff", True, False),
        (0x7FF, b"", False, True),
    ]
    stamps = [frame.t_ns for frame in got if isinstance(frame, Frame)]
    assert before <= stamps[0] <= stamps[1] <= stamps[2] <= link.now_ns()


def test_nothing_by_the_deadline_is_none_and_not_before_it(bus: FakeBus, open_link: Open) -> None:
    link = open_link(bus)
    deadline = link.now_ns() + 3 * MS
    assert run_by_hand(link.receive_until(deadline)) is None
    assert link.now_ns() >= deadline


def test_what_has_arrived_is_returned_after_the_deadline_too(open_link: Open) -> None:
    bus = DescriptorBus()
    link = open_link(bus)
    bus.feed(message(0x12C), message(0x12D))
    late = [run_by_hand(link.receive_until(0)) for _ in range(3)]
    assert [frame and frame[0] for frame in late] == [0x12C, 0x12D, None]


def test_an_interrupt_overtakes_frames_and_events(bus: FakeBus, open_link: Open) -> None:
    link = open_link(bus)
    bus.feed(message(0x12C), message(0x12D))
    first = receive(link)
    link.post(Answer("yes"))
    link.post(Interrupt("a key"))
    assert receive(link) == Interrupt("a key")
    left = receive_many(link, 2)
    assert bits([first, *left]) == [(0x12C, b"", False, False), (0x12D, b"", False, False)]
    assert Answer("yes") in left


def test_an_event_from_another_thread_ends_the_wait(bus: FakeBus, open_link: Open) -> None:
    link = open_link(bus)
    poster = in_thread(lambda: link.post(Answer("go on")))
    assert receive(link) == Answer("go on")
    poster.join()


def test_a_signal_handler_may_post_while_the_session_waits(bus: FakeBus, open_link: Open) -> None:
    link = open_link(bus)
    before = signal.signal(signal.SIGALRM, lambda number, frame: link.post(Interrupt("alarm")))
    try:
        signal.setitimer(signal.ITIMER_REAL, 0.01)
        assert receive(link) == Interrupt("alarm")
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, before)


def test_a_babbling_bus_does_not_keep_an_interrupt_waiting(open_link: Open) -> None:
    links: list[LiveLink] = []
    bus = BabblingBus(lambda given: links[0].post(Interrupt("enough")) if given == 10 else None)
    links.append(open_link(bus))
    assert receive(links[0]) == Interrupt("enough")
    assert bus.given == 10


def test_a_babbling_bus_is_taken_in_by_portions(open_link: Open, monkeypatch: pytest.MonkeyPatch) -> None:
    bus = BabblingBus(lambda given: None)
    link = open_link(bus)
    assert isinstance(receive(link), Frame)
    assert bus.given == live.DRAIN
    monkeypatch.setattr(live, "FULL", 2 * live.DRAIN)
    assert all(isinstance(frame, Frame) for frame in receive_many(link, 1000))
    assert bus.given <= 1000 + 3 * live.DRAIN


def test_error_frames_are_trouble_in_words(bus: FakeBus, open_link: Open) -> None:
    # Bits of the error class: linux/can/error.h, 0x20 no acknowledgement, 0x80 bus error.
    link = open_link(bus)
    bus.feed(message(0x0A0, is_error_frame=True), message(0, is_error_frame=True))
    first, second = receive_many(link, 2)
    assert isinstance(first, BusTrouble)
    assert first.what == "error frame: no acknowledgement, bus error"
    assert 0 < first.t_ns <= link.now_ns()
    assert isinstance(second, BusTrouble)
    assert second.what == "error frame"


def test_a_storm_of_error_frames_is_reported_now_and_then(
    bus: FakeBus, open_link: Open, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(arrivals, "ERROR_REPORTS_NS", 10**15)
    link = open_link(bus)
    bus.feed(*[message(0x080, is_error_frame=True) for _ in range(100)], message(0x040, is_error_frame=True))
    first, other = receive_many(link, 2)
    assert isinstance(first, BusTrouble)
    assert first.what == "error frame: bus error"
    assert isinstance(other, BusTrouble)
    assert other.what == "error frame: bus-off"
    monkeypatch.setattr(arrivals, "ERROR_REPORTS_NS", 0)
    bus.feed(message(0x080, is_error_frame=True))
    later = receive(link)
    assert isinstance(later, BusTrouble)
    assert later.what == "error frame: bus error (and 99 more since the last report)"


def test_fd_frames_are_counted_and_left(bus: FakeBus, open_link: Open) -> None:
    link = open_link(bus)
    bus.feed(message(0x12C, bytes(12), is_fd=True), message(0x12D))
    assert bits([receive(link)]) == [(0x12D, b"", False, False)]
    assert link.counts.fd_frames == 1


@pytest.mark.parametrize(
    "impossible", [message(0x12C, bytes(9)), message(0x800), message(0x20000000, is_extended_id=True)]
)
def test_a_frame_that_can_cannot_carry_is_trouble(bus: FakeBus, open_link: Open, impossible: can.Message) -> None:
    # Eight bytes, 11 and 29 bits: facts.md A1; ISO 11898-1.
    link = open_link(bus)
    bus.feed(impossible)
    got = receive(link)
    assert isinstance(got, BusTrouble)
    assert "impossible frame" in got.what


# ---- sending ---------------------------------------------------------------------------------------------------


def test_frames_leave_in_order_and_are_confirmed_on_request(bus: FakeBus, open_link: Open) -> None:
    link = open_link(bus)
    link.submit(Frame(0x14B, b"\x12"))
    link.submit(Frame(0x1ABCDEF, b"", extended=True), confirm=True)
    link.submit(Frame(0x14D, remote=True), confirm=True)
    got = receive_many(link, 2)
    assert [sign.frame for sign in got if isinstance(sign, Confirmed)] == [
        Frame(0x1ABCDEF, b"", extended=True),
        Frame(0x14D, remote=True),
    ]
    assert [
        (sent.arbitration_id, bytes(sent.data), sent.is_extended_id, sent.is_remote_frame) for sent in bus.sent
    ] == [
        (0x14B, b"\x12", False, False),
        (0x1ABCDEF, b"", True, False),
        (0x14D, b"", False, True),
    ]
    assert link.unsent() == 0


@pytest.mark.parametrize("impossible", [Frame(0x14B, bytes(9)), Frame(0x800), Frame(0x20000000, extended=True)])
def test_a_frame_that_can_cannot_carry_is_not_sent(bus: FakeBus, open_link: Open, impossible: Frame) -> None:
    link = open_link(bus)
    link.submit(impossible, confirm=True)
    link.submit(Frame(0x14B), confirm=True)
    trouble, sign = receive_many(link, 2)
    assert isinstance(trouble, BusTrouble)
    assert trouble.what.startswith(f"cannot send {impossible.text()}")
    assert isinstance(sign, Confirmed)
    assert [sent.arbitration_id for sent in bus.sent] == [0x14B]


def test_a_hanging_send_never_blocks_submit_and_leaves_the_rest_to_withdraw(bus: FakeBus, open_link: Open) -> None:
    # practice.md P7: at most two unconfirmed frames in the adapter.
    bus.may_send.clear()
    link = open_link(bus)
    frames = [Frame(0x14B, count.to_bytes(2, "little")) for count in range(5000)]
    for frame in frames:
        link.submit(frame)
    assert bus.was_sent.acquire(timeout=LONG_S)
    assert link.unsent() == 5000
    odd = link.withdraw(lambda frame: frame.data[0] % 2 == 1)
    assert odd == [frame for frame in frames if frame.data[0] % 2 == 1]
    rest = link.withdraw(lambda frame: True)
    assert 1 <= len(bus.sent) <= 2
    assert len(rest) == 2500 - len(bus.sent)
    assert link.unsent() == len(bus.sent)
    bus.may_send.set()


def test_at_most_two_frames_wait_for_their_echo(bus: FakeBus, open_link: Open) -> None:
    link = open_link(bus, echoes=True)
    frames = [Frame(0x14B, bytes([count])) for count in range(6)]
    for frame in frames:
        link.submit(frame, confirm=True)
    for number, frame in enumerate(frames):
        for _ in range(1 if number else 2):
            if number < 5:
                assert bus.was_sent.acquire(timeout=LONG_S)
        assert len(bus.sent) == min(number + 2, 6)
        bus.feed(echo_of(bus.sent[number]))
        sign = receive(link)
        assert isinstance(sign, Confirmed)
        assert sign.frame == frame
    assert link.unsent() == 0
    assert link.counts.echoes == 6


def test_own_frames_do_not_come_back_and_foreign_ones_do(bus: FakeBus, open_link: Open) -> None:
    link = open_link(bus, echoes=True)
    link.submit(Frame(0x020, b"\x61"))
    assert bus.was_sent.acquire(timeout=LONG_S)
    # Another node's stop looks like ours (practice.md P18): of two equal frames the first is the echo.
    bus.feed(message(0x12C, b"\x91\x07"), echo_of(bus.sent[0]), message(0x020, b"\x61"))
    assert bits(receive_many(link, 2)) == [(0x12C, b"\x91\x07", False, False), (0x020, b"\x61", False, False)]


def test_an_echo_that_nobody_asked_for_is_dropped_once(bus: FakeBus, open_link: Open) -> None:
    link = open_link(bus)
    link.submit(Frame(0x14B, b"\x11\x07"), confirm=True)
    assert isinstance(receive(link), Confirmed)
    reply, end = message(0x14B, b"\x11\x07"), message(0x12B)
    bus.feed(reply, end)  # a reply with the bits of its request is no echo
    assert bits(receive_many(link, 2)) == [(0x14B, b"\x11\x07", False, False), (0x12B, b"", False, False)]
    bus.feed(echo_of(bus.sent[0]), end)
    assert bits([receive(link)]) == [(0x12B, b"", False, False)]
    assert link.counts.echoes == 1
    bus.feed(echo_of(bus.sent[0]))  # once more: it was sent once, so this is somebody else's
    assert bits([receive(link)]) == [(0x14B, b"\x11\x07", False, False)]
    assert link.counts.echoes == 1


# ---- losing the adapter ----------------------------------------------------------------------------------------


def test_a_send_that_raises_is_the_loss_of_the_adapter(bus: FakeBus, open_link: Open) -> None:
    bus.send_raises = can.CanOperationError("transmit buffer gone")
    link = open_link(bus)
    link.submit(Frame(0x14B, b"\x12"))
    link.submit(Frame(0x14C, b"\x12"))
    got = receive(link)
    assert got == AdapterLost("sending 14B#12 failed: CanOperationError: transmit buffer gone")
    assert link.unsent() == 2
    assert len(bus.sent) == 1


@pytest.mark.parametrize(
    "trouble", [can.CanOperationError("unplugged"), ValueError("t12G"), OSError(19, "No such device")]
)
def test_a_receive_that_raises_is_the_loss_of_the_adapter(bus: FakeBus, open_link: Open, trouble: Exception) -> None:
    link = open_link(bus)
    bus.feed(message(0x12C), trouble)
    assert isinstance(receive(link), Frame)
    got = receive(link)
    assert isinstance(got, AdapterLost)
    assert str(trouble) in got.reason


def test_the_reason_of_a_loss_is_the_innermost_one(open_link: Open) -> None:
    bus = DescriptorBus()
    wrapped = can.CanOperationError("Could not read from serial device")
    wrapped.__cause__ = OSError(5, "Input/output error")
    bus.feed(wrapped)
    assert receive(open_link(bus)) == AdapterLost(
        "receiving failed: it was unplugged, or its other end is gone (OSError: [Errno 5] Input/output error)"
    )


def test_a_send_that_hangs_is_the_loss_of_the_adapter(bus: FakeBus, open_link: Open) -> None:
    bus.may_send.clear()
    link = open_link(bus, hang_ns=20 * MS)
    link.submit(Frame(0x040, b"\x51"), confirm=True)
    got = receive(link)
    assert isinstance(got, AdapterLost)
    assert got.reason.startswith("040#51 has been in the adapter for ")
    assert link.unsent() == 1
    bus.may_send.set()


def test_an_echo_that_never_comes_is_the_loss_of_the_adapter(bus: FakeBus, open_link: Open) -> None:
    link = open_link(bus, echoes=True, hang_ns=20 * MS)
    link.submit(Frame(0x040, b"\x51"))
    got = receive(link)
    assert isinstance(got, AdapterLost)
    assert "040#51" in got.reason


def test_a_line_that_is_readable_and_gives_nothing_is_dead(open_link: Open, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(live, "EMPTY_NS", 10 * MS)
    link = open_link(DeadLineBus())
    assert run_by_hand(link.receive_until(0)) is None  # a deadline that has passed is kept all the same
    got = receive(link)
    assert isinstance(got, AdapterLost)
    assert "the other end is dead" in got.reason


def test_after_the_loss_only_events_and_deadlines_follow(bus: FakeBus, open_link: Open) -> None:
    link = open_link(bus)
    bus.feed(can.CanOperationError("unplugged"), message(0x12C))
    assert isinstance(receive(link), AdapterLost)
    bus.feed(message(0x12D))
    link.submit(Frame(0x020, b"\x61"), confirm=True)
    link.post(Answer("well"))
    assert receive(link) == Answer("well")
    assert receive(link, 5 * MS) is None
    assert bus.sent == []
    assert link.unsent() == 1


def test_a_loss_that_somebody_else_saw_counts_as_well(bus: FakeBus, open_link: Open) -> None:
    link = open_link(bus)
    link.post(AdapterLost("the port was taken away"))
    assert receive(link) == AdapterLost("the port was taken away")
    bus.feed(message(0x12C))
    link.submit(Frame(0x14B))
    assert receive(link, 5 * MS) is None
    assert bus.sent == []


# ---- closing ---------------------------------------------------------------------------------------------------


def test_close_ends_readers_before_the_bus_and_only_once(bus: FakeBus) -> None:
    bus.shutdown_raises = can.CanOperationError("nobody there")
    link = LiveLink(bus)
    link.close()
    link.close()
    assert bus.ended == []
    assert bus._is_shutdown
    link.post(Interrupt("too late"))  # must not raise: a signal may come at any time
    with pytest.raises(LinkLost, match="the link is closed"):
        receive(link)


def test_close_wakes_whoever_waits(bus: FakeBus) -> None:
    link = LiveLink(bus)
    waiting = threading.Event()
    ends: list[Exception] = []

    def wait() -> None:
        waiting.set()
        try:
            receive(link)
        except LinkLost as end:
            ends.append(end)

    waiter = in_thread(wait)
    assert waiting.wait(LONG_S)
    link.close()
    waiter.join(LONG_S)
    assert [str(end) for end in ends] == ["the link is closed"]


def test_close_does_not_wait_for_ever(bus: FakeBus, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(live, "CLOSING_S", 0.01)
    release = threading.Event()
    bus.may_send.clear()
    monkeypatch.setattr(bus, "shutdown", release.wait)
    link = LiveLink(bus, hang_ns=10 * MS)
    link.submit(Frame(0x14B))
    assert bus.was_sent.acquire(timeout=LONG_S)
    link.close()
    assert not release.is_set()
    release.set()
    bus.may_send.set()
    FakeBus.shutdown(bus)


def test_what_waits_in_the_outbox_is_dropped_on_close(bus: FakeBus, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(live, "CLOSING_S", 0.01)
    bus.may_send.clear()
    link = LiveLink(bus, hang_ns=10 * MS)
    for _ in range(10):
        link.submit(Frame(0x14B))
    assert bus.was_sent.acquire(timeout=LONG_S)
    link.close()
    bus.may_send.set()
    assert len(bus.sent) == 1


@pytest.mark.parametrize("echoes", [False, True])
def test_what_was_submitted_before_closing_leaves_although_nobody_reads_the_echoes(bus: FakeBus, echoes: bool) -> None:
    bus.echoes_at_once = echoes
    link = LiveLink(bus, echoes=echoes)
    for number in range(20):
        link.submit(Frame(0x14B, bytes([number])))
    link.close()
    assert [bytes(sent.data) for sent in bus.sent] == [bytes([number]) for number in range(20)]
    assert link.unsent() == 0


# ---- what is counted -------------------------------------------------------------------------------------------


def test_what_came_is_counted_by_its_kind(bus: FakeBus, open_link: Open) -> None:
    link = open_link(bus, echoes=True)
    link.submit(Frame(0x14B, b"\x01"), confirm=True)
    assert bus.was_sent.acquire(timeout=LONG_S)
    bus.feed(echo_of(bus.sent[0]), message(0x080, is_error_frame=True), message(0x12C, bytes(12), is_fd=True))
    bus.feed(message(0x12C, bytes(9)), message(0x12B), message(0x12B, is_remote_frame=True))
    bus.feed(message(0x12B, is_extended_id=True), message(0x12B, is_extended_id=True, is_remote_frame=True))
    assert len(receive_many(link, 7)) == 7  # the sign, the error, what is impossible, four frames
    assert link.counts == Counts(
        frames=4, echoes=1, fd_frames=1, error_frames=1, remote_frames=2, extended_frames=2, impossible=1
    )


# ---- the adapter's own clock -----------------------------------------------------------------------------------


def test_a_frame_that_waited_in_the_adapter_bears_the_time_of_its_arrival(
    open_link: Open, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The fake bus' clock counts from 1,000 s; ours is played as well, so that nothing depends on the computer."""
    bus = DescriptorBus()
    link = open_link(bus, interface="socketcan")
    now = [0]
    monkeypatch.setattr(link, "now_ns", lambda: now[0])

    def come(device_ms: int, at_ms: int) -> Frame:
        now[0] = at_ms * MS
        bus.feed(message(0x12C, timestamp=1000 + device_ms / 1000))
        got = run_by_hand(link.receive_until(0))
        assert isinstance(got, Frame)
        return got

    for number in range(1, 400):
        assert come(10 * number, 10 * number).t_ns <= 10 * number * MS
    late = come(4000, 4300)  # 300 ms in which nobody looked
    assert 4000 * MS - 1000 <= late.t_ns <= 4002 * MS


@pytest.mark.parametrize("interface", ["slcan", "virtual", ""])
def test_where_the_driver_stamps_when_it_reads_its_stamp_says_nothing(bus: FakeBus, interface: str) -> None:
    link = LiveLink(bus, interface=interface)
    try:
        assert link._arrivals._clock is None
    finally:
        link.close()


# ---- a process that was held up itself -------------------------------------------------------------------------


def test_a_process_that_was_halted_does_not_take_the_adapter_for_hanging(open_link: Open) -> None:
    bus = DescriptorBus()
    bus.may_send.clear()
    link = open_link(bus, hang_ns=10**9)
    link.submit(Frame(0x14B), confirm=True)
    assert bus.was_sent.acquire(timeout=LONG_S)
    link._origin_ns -= 5 * 10**9  # as if nobody had run for five seconds
    assert run_by_hand(link.receive_until(0)) is None
    bus.may_send.set()
    assert isinstance(receive(link), Confirmed)


def test_a_process_that_was_halted_does_not_take_a_partial_line_for_a_dead_one(open_link: Open) -> None:
    bus = DeadLineBus()
    link = open_link(bus)
    assert run_by_hand(link.receive_until(0)) is None
    link._origin_ns -= 5 * 10**9
    assert link._take_in(0)  # one look
    assert not link._lost


def test_frames_that_are_too_old_lose_the_adapter_and_do_not_leave() -> None:
    """While one is being sent the others wait; then the computer stands still for two seconds."""
    bus = FakeBus()
    bus.may_send.clear()
    link = LiveLink(bus)
    try:
        link.submit(Frame(0x14B, b"\x12"))
        assert bus.was_sent.acquire(timeout=LONG_S)
        link.submit(Frame(0x040, b"\x51"))
        link._origin_ns -= 2_000_000_000
        bus.may_send.set()
        while not isinstance(got := receive(link), AdapterLost):
            assert got is not None
        assert "too old to be sent" in got.reason
        assert [message.arbitration_id for message in bus.sent] == [0x14B]
        assert link.unsent() == 1
    finally:
        bus.may_send.set()
        link.close()
