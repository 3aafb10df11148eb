"""
The promises of `choreo.link.port.Link`. The sentence under test stands in each test's docstring.

Nothing here sleeps or judges a duration: every wait ends with an event, and the bounds only keep a broken link from
hanging.
"""

import signal
from collections.abc import Iterator

import pytest

from choreo.frame import Frame
from choreo.link.port import AdapterLost, Answer, Confirmed, Event, Interrupt, Link
from choreo.link.simulated import run_by_hand
from conformance.worlds import WORLDS, World
from link.waiting import LONG_NS, bits, in_thread, receive, receive_many

MS = 1_000_000
FRAMES = [
    Frame(0x14B, b"\x12"),
    Frame(0x000),
    Frame(0x7FF, b"\xff" * 8),
    Frame(0x1FFFFFFF, b"\x00\x01\x02\x03\x04\x05\x06\x07", extended=True),
    Frame(0x000, b"\x80", extended=True),
    Frame(0x123, remote=True),
    Frame(0x12345, extended=True, remote=True),
    Frame(0x14B, b"\x12"),
]


@pytest.fixture(params=list(WORLDS))
def world(request: pytest.FixtureRequest) -> Iterator[World]:
    with WORLDS[request.param]() as opened:
        yield opened


@pytest.fixture
def stalled(world: World) -> World:
    """A world whose adapter is stuck from the start."""
    if world.stall is None:
        pytest.skip("nothing can be stuck in this adapter")
    world.stall()
    return world


@pytest.fixture
def losable(world: World) -> World:
    if world.lose is None:
        pytest.skip("this adapter cannot be lost")
    return world


def is_there(link: Link) -> Frame | Event | None:
    """What has arrived, asked with a deadline that has passed; asked again while it is still on its way."""
    limit = 100_000
    for _ in range(limit):
        if (got := run_by_hand(link.receive_until(0))) is not None:
            return got
    return None


def wait_until_gone(link: Link) -> list[Frame | Event | None]:
    """Let pass what comes until nothing is unsent; what came."""
    came = []
    while link.unsent():
        got = run_by_hand(link.receive_until(link.now_ns() + MS))
        came += [] if got is None else [got]
        assert link.now_ns() < LONG_NS
    return came


# ---- the clock -------------------------------------------------------------------------------------------------


def test_time_never_goes_back(world: World) -> None:
    """The link's monotonic time."""
    readings = [world.link.now_ns()]
    world.says(*FRAMES)
    for _ in FRAMES:
        receive(world.link)
        readings.append(world.link.now_ns())
    assert readings == sorted(readings)


def test_a_frame_bears_its_time_of_arrival(world: World) -> None:
    """A frame and its time of arrival share a time base."""
    before = world.link.now_ns()
    world.says(*FRAMES)
    stamps = [got.t_ns for got in receive_many(world.link, len(FRAMES)) if isinstance(got, Frame)]
    assert len(stamps) == len(FRAMES)
    times = [before, *stamps, world.link.now_ns()]
    assert times == sorted(times)


# ---- submit ----------------------------------------------------------------------------------------------------


def test_frames_leave_first_in_first_out_and_unchanged(world: World) -> None:
    """Hand a frame over for sending, first in, first out."""
    for frame in FRAMES:
        world.link.submit(frame)
    assert bits(list(world.hears(len(FRAMES)))) == bits(list(FRAMES))


def test_submitting_never_blocks_even_when_the_adapter_is_stuck(stalled: World) -> None:
    """Never blocks and never raises."""
    for number in range(5000):
        stalled.link.submit(Frame(0x100 + number % 512))
    assert stalled.link.unsent() == 5000


def test_submitting_to_a_lost_adapter_does_not_raise_and_the_loss_is_an_event(losable: World) -> None:
    """Never blocks and never raises: a failure becomes an event."""
    assert losable.lose is not None
    losable.lose()
    for frame in FRAMES:
        losable.link.submit(frame)
    assert isinstance(receive(losable.link), AdapterLost)
    losable.link.submit(FRAMES[0])


def test_at_most_two_frames_are_in_the_adapter(stalled: World) -> None:
    """At most two frames are in the adapter at a time; the others wait in the outbox, where `withdraw` reaches them."""
    frames = [Frame(0x100 + number) for number in range(10)]
    for frame in frames:
        stalled.link.submit(frame)
    withdrawn = stalled.link.withdraw(lambda frame: True)
    assert len(withdrawn) >= len(frames) - 2
    assert withdrawn == frames[len(frames) - len(withdrawn) :]
    assert stalled.link.unsent() == len(frames) - len(withdrawn)


def test_a_confirmed_event_follows_when_the_frame_has_left(world: World) -> None:
    """With `confirm`, a `Confirmed` event follows when the frame has left."""
    before = world.link.now_ns()
    for number, frame in enumerate(FRAMES):
        world.link.submit(frame, confirm=number % 2 == 1)
    came = receive_many(world.link, len(FRAMES) // 2)
    came += wait_until_gone(world.link)
    confirmed = [event for event in came if isinstance(event, Confirmed)]
    assert bits([event.frame for event in confirmed]) == bits(list(FRAMES[1::2]))
    times = [before, *(event.t_ns for event in confirmed), world.link.now_ns()]
    assert times == sorted(times)


def test_without_confirm_nothing_comes(world: World) -> None:
    """With `confirm`, a `Confirmed` event follows: without, none does."""
    for frame in FRAMES:
        world.link.submit(frame)
    world.hears(len(FRAMES))
    assert wait_until_gone(world.link) == []
    assert run_by_hand(world.link.receive_until(world.link.now_ns() + MS)) is None


def test_a_frame_in_a_stuck_adapter_is_not_confirmed(stalled: World) -> None:
    """A frame that was submitted with `confirm=True` has left on the wire: not before (practice.md P7)."""
    stalled.link.submit(FRAMES[0], confirm=True)
    assert run_by_hand(stalled.link.receive_until(stalled.link.now_ns() + MS)) is None


# ---- withdraw and unsent ---------------------------------------------------------------------------------------


def test_withdrawn_frames_never_leave_and_the_others_do_in_order(stalled: World) -> None:
    """Take back every frame of the outbox for which `unwanted` is true, and return them in order."""
    frames = [Frame(0x200 + number) for number in range(12)]
    for frame in frames:
        stalled.link.submit(frame)
    withdrawn = stalled.link.withdraw(lambda frame: frame.id % 3 == 0)
    assert withdrawn == [frame for frame in frames if frame in withdrawn]
    assert all(frame.id % 3 == 0 for frame in withdrawn)
    assert {frame for frame in frames[2:] if frame.id % 3 == 0} <= set(withdrawn)  # two may be in the adapter
    assert stalled.resume is not None
    stalled.resume()
    left = [frame for frame in frames if frame not in withdrawn]
    assert bits(list(stalled.hears(len(left)))) == bits(list(left))
    wait_until_gone(stalled.link)


def test_nothing_is_withdrawn_from_an_empty_outbox(world: World) -> None:
    """Take back every frame of the outbox for which `unwanted` is true."""
    assert world.link.withdraw(lambda frame: True) == []


def test_unsent_counts_outbox_and_adapter(stalled: World) -> None:
    """How many submitted frames are not yet known to have left, in the outbox or in the adapter."""
    assert stalled.link.unsent() == 0
    for number, frame in enumerate(FRAMES):
        stalled.link.submit(frame)
        assert stalled.link.unsent() == number + 1


def test_nothing_is_unsent_when_all_have_left(world: World) -> None:
    """How many submitted frames are not yet known to have left."""
    for frame in FRAMES:
        world.link.submit(frame)
    world.hears(len(FRAMES))
    wait_until_gone(world.link)
    assert world.link.unsent() == 0


# ---- post ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("event", [Answer("yes"), Interrupt("a key")])
def test_a_posted_event_comes(world: World, event: Event) -> None:
    """Put an event in front of the session."""
    world.link.post(event)
    assert receive(world.link) == event


def test_events_may_be_posted_from_any_thread(world: World) -> None:
    """Safe from any thread: none is lost, and those of one thread keep their order."""

    def post(name: str) -> None:
        for number in range(200):
            world.link.post(Answer(f"{name} {number}"))

    threads = [in_thread(lambda name=name: post(name)) for name in ("one", "two", "three")]
    for thread in threads:
        thread.join()
    came = receive_many(world.link, 600)
    texts = [event.text.split() for event in came if isinstance(event, Answer)]
    for name in ("one", "two", "three"):
        assert [int(number) for who, number in texts if who == name] == list(range(200))


def test_events_may_be_posted_from_a_signal_handler(world: World) -> None:
    """Safe from a signal handler."""
    before = signal.signal(signal.SIGUSR1, lambda number, frame: world.link.post(Interrupt("signal")))
    try:
        signal.raise_signal(signal.SIGUSR1)
        assert receive(world.link) == Interrupt("signal")
    finally:
        signal.signal(signal.SIGUSR1, before)


# ---- receive_until ---------------------------------------------------------------------------------------------


def test_frames_come_in_order_of_arrival_and_unchanged(world: World) -> None:
    """The next event or frame, in order of arrival."""
    world.says(*FRAMES)
    assert bits(receive_many(world.link, len(FRAMES))) == bits(list(FRAMES))


def test_events_come_in_order(world: World) -> None:
    """The next event or frame, in order of arrival."""
    answers = [Answer(str(number)) for number in range(20)]
    for answer in answers:
        world.link.post(answer)
    assert receive_many(world.link, 20) == answers


def test_nothing_by_the_deadline_is_none_and_the_deadline_has_come(world: World) -> None:
    """None when `deadline_ns` has come and there is nothing."""
    for _ in range(5):
        deadline = world.link.now_ns() + MS
        assert run_by_hand(world.link.receive_until(deadline)) is None
        assert world.link.now_ns() >= deadline


def test_a_deadline_that_has_passed_is_none_at_once(world: World) -> None:
    """None when `deadline_ns` has come and there is nothing."""
    assert run_by_hand(world.link.receive_until(world.link.now_ns())) is None
    assert run_by_hand(world.link.receive_until(0)) is None


def test_an_interrupt_overtakes_frames_and_events(world: World) -> None:
    """An `Interrupt` overtakes everything."""
    world.says(*FRAMES)
    receive(world.link)  # the others are here, or on their way
    world.link.post(Answer("yes"))
    world.link.post(Interrupt("first"))
    world.link.post(Interrupt("second"))
    assert receive_many(world.link, 2) == [Interrupt("first"), Interrupt("second")]
    rest = receive_many(world.link, len(FRAMES))
    assert bits(rest) == bits(list(FRAMES[1:]))
    assert Answer("yes") in rest


def test_own_frames_do_not_come_back(world: World) -> None:
    """Frames that choreo submitted itself do not come back."""
    for frame in FRAMES:
        world.link.submit(frame)
    world.hears(len(FRAMES))
    wait_until_gone(world.link)
    world.says(Frame(0x555, b"\x01"))
    assert bits([receive(world.link)]) == [(0x555, b"\x01", False, False)]


def test_a_reply_that_looks_like_its_request_comes_through(world: World) -> None:
    """Frames that choreo submitted itself do not come back: those of others do, whatever they look like."""
    world.link.submit(FRAMES[0], confirm=True)
    assert isinstance(receive(world.link), Confirmed)
    world.hears(1)
    world.says(FRAMES[0])
    assert bits([receive(world.link)]) == bits([FRAMES[0]])


def test_what_has_arrived_is_returned_after_the_deadline_too(world: World) -> None:
    """What has arrived is returned even when the deadline has passed."""
    world.says(*FRAMES)
    world.link.post(Answer("yes"))
    came = [is_there(world.link) for _ in range(len(FRAMES) + 1)]
    assert bits(came) == bits(list(FRAMES))
    assert Answer("yes") in came


# ---- losing the adapter ----------------------------------------------------------------------------------------


def test_after_the_loss_only_events_and_deadlines_follow(losable: World) -> None:
    """After `AdapterLost` nothing but events and deadlines follows. No further frame will come or go."""
    assert losable.lose is not None
    losable.says(FRAMES[0])
    assert bits([receive(losable.link)]) == bits([FRAMES[0]])
    losable.lose()
    while not isinstance(receive(losable.link), AdapterLost):
        pass
    losable.link.submit(FRAMES[1])
    losable.link.post(Answer("yes"))
    losable.link.post(Interrupt("a key"))
    assert receive_many(losable.link, 2) == [Interrupt("a key"), Answer("yes")]
    deadline = losable.link.now_ns() + MS
    assert run_by_hand(losable.link.receive_until(deadline)) is None
    assert losable.link.now_ns() >= deadline
    assert losable.link.unsent() >= 1


def test_the_loss_is_told_once(losable: World) -> None:
    """The adapter raised, vanished, or hung: one event."""
    assert losable.lose is not None
    losable.lose()
    assert isinstance(receive(losable.link), AdapterLost)
    assert run_by_hand(losable.link.receive_until(losable.link.now_ns() + MS)) is None


def test_what_a_stuck_adapter_holds_stays_unsent_when_it_is_lost(stalled: World) -> None:
    """How many submitted frames are not yet known to have left: nobody will ever know of these."""
    for frame in FRAMES:
        stalled.link.submit(frame, confirm=True)
    assert stalled.lose is not None
    stalled.lose()
    assert isinstance(receive(stalled.link), AdapterLost)
    assert stalled.link.unsent() == len(FRAMES)


# ---- close -----------------------------------------------------------------------------------------------------


def test_closing_twice_is_closing_once(world: World) -> None:
    """Release the adapter. Idempotent."""
    world.link.close()
    world.link.close()


def test_what_was_submitted_before_closing_leaves(world: World) -> None:
    """Release the adapter, once what was submitted before has left: the last of it may be a stop."""
    if world.lets_no_time_pass:
        pytest.skip("in virtual time nothing leaves unless somebody waits")
    frames = [Frame(0x100 + number) for number in range(10)]
    for frame in frames:
        world.link.submit(frame)
    world.link.close()
    assert bits(list(world.hears(len(frames)))) == bits(list(frames))


def test_a_stuck_adapter_is_closed_all_the_same(stalled: World) -> None:
    """Release the adapter: not for ever after."""
    stalled.link.submit(FRAMES[0])
    stalled.link.close()
    assert stalled.link.unsent() == 1


def test_nothing_leaves_after_closing(world: World) -> None:
    """Release the adapter."""
    world.link.submit(FRAMES[0])
    world.hears(1)
    world.link.close()
    world.link.submit(FRAMES[1])
    assert world.link.unsent() >= 1
