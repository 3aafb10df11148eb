"""
The link onto the simulated bus: what is its own, beside the promises that `tests/conformance` holds it to.

Times at 500 kbit/s are 2 us a bit; SYNC is 48 bits to its end of frame and 51 with the intermission (facts.md A7).
"""

from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path

import pytest

import choreo.wire
from choreo.errors import InternalError, LinkLost, RecipeError
from choreo.frame import Frame
from choreo.link.port import (
    AdapterLost,
    BusTrouble,
    Confirmed,
    Event,
    Interrupt,
    SimulatedAxis,
    SimulationRequest,
)
from choreo.link.simulated import find_opener, open_simulated, run_by_hand
from choreo_sim import link as simulated
from choreo_sim.bus import Bus
from choreo_sim.bus_faults import Match
from choreo_sim.kernel import Kernel
from choreo_sim.link import SimulatedLink
from sim.wire import BIT

SYNC = Frame(0x080)
TO_END, WHOLE = 48 * BIT, 51 * BIT
HAND_OVER = 30_000
MS = 1_000_000
SECOND = 1_000_000_000


class Side:
    """A link and one other node that notes what it hears."""

    def __init__(self, hand_over_ns: int = HAND_OVER) -> None:
        self.kernel = Kernel()
        self.bus = Bus(self.kernel, 500_000)
        self.heard: list[tuple[int, Frame]] = []
        self.peer = self.bus.attach("peer", lambda frame, t_ns: self.heard.append((t_ns, frame)))
        self.link = SimulatedLink(self.kernel, self.bus, hand_over_ns=hand_over_ns)

    def receive(self, until_ns: int = SECOND) -> Frame | Event | None:
        return run_by_hand(self.link.receive_until(until_ns))

    def all(self, until_ns: int = SECOND) -> list[Frame | Event]:
        """Everything that comes until then."""
        came = []
        while (got := self.receive(until_ns)) is not None:
            came.append(got)
        return came


@pytest.fixture
def side() -> Side:
    return Side()


# ---- sending ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("hand_over_ns", [0, 1, HAND_OVER, 5 * MS])
def test_a_frame_starts_when_it_has_been_handed_over(hand_over_ns: int) -> None:
    side = Side(hand_over_ns)
    side.link.submit(SYNC, confirm=True)
    assert side.receive() == Confirmed(SYNC, hand_over_ns + TO_END)
    assert side.heard == [(hand_over_ns + TO_END, SYNC)]
    assert side.link.now_ns() == hand_over_ns + TO_END


def test_two_frames_are_handed_over_at_once_and_the_third_when_the_first_has_left(side: Side) -> None:
    for _ in range(3):
        side.link.submit(SYNC)
    side.kernel.run_until(HAND_OVER + TO_END - 1)
    assert (side.link.host.pending, side.link.unsent()) == (2, 3)
    side.kernel.run_until(HAND_OVER + TO_END)
    assert (side.link.host.pending, side.link.unsent()) == (2, 2)
    side.kernel.run_until(SECOND)
    first = HAND_OVER + TO_END
    # The second was there already and starts after the intermission; the third was handed over during the second.
    assert [t_ns for t_ns, _ in side.heard] == [first, first + WHOLE, first + 2 * WHOLE]


def test_a_stop_that_is_submitted_behind_a_start_leaves_behind_it(side: Side) -> None:
    """The adapter is first in, first out: a low identifier does not overtake what is in it already (practice.md P7)."""
    trigger, stop = Frame(0x040, b"\x01"), Frame(0x020, b"\x01")
    side.link.submit(trigger)
    side.link.submit(stop)
    side.kernel.run_until(SECOND)
    assert [frame for _, frame in side.heard] == [trigger, stop]


@pytest.mark.parametrize("frame", [Frame(0x800), Frame(1, bytes(9)), Frame(1 << 29, extended=True)])
def test_a_frame_that_can_cannot_carry_becomes_an_event(side: Side, frame: Frame) -> None:
    side.link.submit(frame, confirm=True)
    side.link.submit(SYNC, confirm=True)
    trouble, confirmed = side.all()
    assert isinstance(trouble, BusTrouble)
    assert trouble.what.startswith(f"cannot send {frame.text()}: ")
    assert confirmed == Confirmed(SYNC, HAND_OVER + TO_END)
    assert side.link.unsent() == 0


def test_a_frame_stuck_in_the_adapter_leaves_later_and_holds_up_those_behind(side: Side) -> None:
    """practice.md P7: a trigger that is stuck in an adapter may leave seconds later."""
    trigger = Frame(0x040, b"\x01")
    side.link.adapter_delay_ns = lambda frame, now_ns: 3 * SECOND if frame == trigger else 0
    side.link.submit(trigger, confirm=True)
    side.link.submit(SYNC)
    assert side.receive(2 * SECOND) is None
    assert side.link.unsent() == 2
    confirmed = side.receive(4 * SECOND)
    assert isinstance(confirmed, Confirmed)
    assert confirmed.t_ns > 3 * SECOND
    side.kernel.run_until(4 * SECOND)
    assert [frame for _, frame in side.heard] == [trigger, SYNC]


# ---- receiving -------------------------------------------------------------------------------------------------


def test_a_frame_bears_its_end_of_frame_and_virtual_time_stands_there(side: Side) -> None:
    side.kernel.at(5 * MS, side.peer.send, SYNC)
    assert side.receive() == Frame(0x080, t_ns=5 * MS + TO_END)
    assert side.link.now_ns() == 5 * MS + TO_END


def test_frames_in_the_inbox_do_not_let_time_pass(side: Side) -> None:
    for _ in range(3):
        side.peer.send(SYNC)
    side.kernel.run_until(MS)
    assert [side.receive(SECOND) for _ in range(3)] == [
        Frame(0x080, t_ns=TO_END + number * WHOLE) for number in range(3)
    ]
    assert side.link.now_ns() == MS


def test_what_is_due_at_the_deadline_is_returned(side: Side) -> None:
    side.peer.send(SYNC)
    assert side.receive(TO_END - 1) is None
    assert side.link.now_ns() == TO_END - 1
    assert side.receive(TO_END) == Frame(0x080, t_ns=TO_END)


def test_an_interrupt_posted_while_virtual_time_passes_ends_the_wait(side: Side) -> None:
    side.kernel.at(7 * MS, side.link.post, Interrupt("now"))
    assert side.receive() == Interrupt("now")
    assert side.link.now_ns() == 7 * MS


def test_an_interrupt_overtakes_a_frame_of_the_same_instant(side: Side) -> None:
    side.peer.send(SYNC)
    side.kernel.at(TO_END, side.link.post, Interrupt("now"), priority=1)
    side.kernel.run_until(TO_END)
    assert side.all() == [Interrupt("now"), Frame(0x080, t_ns=TO_END)]


def test_receiving_never_suspends(side: Side) -> None:
    side.peer.send(SYNC)
    waiting = side.link.receive_until(SECOND)
    with pytest.raises(StopIteration) as finished:
        waiting.send(None)
    assert finished.value.value == Frame(0x080, t_ns=TO_END)


def test_receiving_on_a_closed_link_says_so(side: Side) -> None:
    side.link.close()
    with pytest.raises(LinkLost, match="the link is closed"):
        side.receive()


# ---- trouble ---------------------------------------------------------------------------------------------------


def test_an_error_frame_is_trouble_in_words(side: Side) -> None:
    side.bus.faults.corrupt(Match(), at_bit=20)
    side.link.submit(SYNC, confirm=True)
    trouble, confirmed = side.all()
    assert trouble == BusTrouble("error frame: bit 20 is wrong in 080# from host", HAND_OVER + 20 * BIT)
    assert confirmed == Confirmed(SYNC, HAND_OVER + (20 + 23) * BIT + TO_END)


def test_a_storm_of_error_frames_is_reported_now_and_then_with_its_count(side: Side) -> None:
    """Nobody else is on the bus: thousands of error frames a second, few reports, none forgotten."""
    side.peer.switch_off()
    side.link.submit(SYNC, confirm=True)
    destroyed: list[int] = []
    side.bus.error_taps.append(lambda what, t_ns, sender: destroyed.append(t_ns))
    reports = [event for event in side.all() if isinstance(event, BusTrouble) and event.what.startswith("error")]
    assert len(destroyed) > 5000
    assert len(reports) == 10  # one at once and one each tenth of a second
    told = 0
    for report in reports:
        told += 1 + (int(report.what.split("(and ")[1].split()[0]) if "(and " in report.what else 0)
    assert told == sum(t_ns <= reports[-1].t_ns for t_ns in destroyed)


def test_a_change_of_the_hosts_error_state_is_trouble_in_words(side: Side) -> None:
    """facts.md A10: error passive after 16 errors of a sender, bus off after 32."""
    side.bus.faults.corrupt(Match(times=None), at_bit=20)
    side.link.submit(SYNC)
    states = [event.what for event in side.all() if isinstance(event, BusTrouble) and event.what.startswith("host")]
    assert states == ["host is error passive (TEC 128, REC 0)", "host is bus off (TEC 256, REC 0)"]
    assert side.link.unsent() == 1


# ---- losing the adapter ----------------------------------------------------------------------------------------


def test_what_was_heard_before_the_loss_comes_before_it_and_nothing_after(side: Side) -> None:
    side.peer.send(SYNC)
    side.kernel.at(MS, lambda _: side.link.lose_adapter("unplugged"))
    side.kernel.at(2 * MS, side.peer.send, SYNC)
    side.kernel.run_until(3 * MS)
    assert side.all() == [Frame(0x080, t_ns=TO_END), AdapterLost("unplugged")]


@pytest.mark.parametrize(("leave", "heard"), [(False, 0), (True, 2)])
def test_what_a_lost_adapter_still_holds_is_lost_or_leaves_and_is_never_confirmed(
    side: Side, leave: bool, heard: int
) -> None:
    """practice.md P7: at most the two frames in the adapter can still move something."""
    for _ in range(5):
        side.link.submit(SYNC, confirm=True)
    side.link.lose_adapter("unplugged", its_frames_leave=leave)
    side.link.lose_adapter("again")
    assert side.all() == [AdapterLost("unplugged")]
    assert len(side.heard) == heard
    assert side.link.unsent() == 5


def test_a_posted_loss_is_a_loss_too(side: Side) -> None:
    side.link.post(AdapterLost("somebody says so"))
    side.peer.send(SYNC)
    side.link.submit(SYNC)
    assert side.all() == [AdapterLost("somebody says so")]
    side.peer.send(SYNC)
    assert side.all(2 * SECOND) == []


# ---- opening ---------------------------------------------------------------------------------------------------

DIALECT = Path(choreo.wire.__file__).parent / "dialects" / "short_frame.yaml"


def request(**changes: object) -> SimulationRequest:
    axis = SimulatedAxis(
        name="carriage",
        node=13,
        dialect="short_frame",
        dialect_file=DIALECT,
        counts_per_unit=Fraction(8192, 3),
        travel=(Fraction(0), Fraction(1300)),
        load="horizontal",
        pair=None,
    )
    settings: dict = {"machine": None, "axes": (axis,), "bit_rate": 250_000, "seed": 3} | changes
    return SimulationRequest(**settings)


@pytest.fixture
def observed() -> Iterator[list[SimulatedLink]]:
    links: list[SimulatedLink] = []
    simulated.observers.append(links.append)
    yield links
    simulated.observers.remove(links.append)


def test_a_simulated_bus_is_found_by_entry_point_and_observed(observed: list[SimulatedLink]) -> None:
    link = open_simulated(request())
    assert observed == [link]
    assert isinstance(link, SimulatedLink)
    assert link.bus.bit_rate == 250_000
    assert link.now_ns() == 0


def test_an_observer_hears_every_frame_of_a_session(observed: list[SimulatedLink]) -> None:
    link = open_simulated(request())
    seen: list[tuple[str, int]] = []
    observed[0].bus.taps.append(lambda frame, t_ns, sender: seen.append((sender, frame.id)))
    link.submit(Frame(0x140 + 13, b"\x11\x07"))  # the sample dialect's echo request; its reply is on 0x120 + node
    reply = run_by_hand(link.receive_until(SECOND))
    assert isinstance(reply, Frame)
    assert (reply.id, reply.data) == (0x12D, b"\x91\x07")
    assert [identifier for _, identifier in seen] == [0x14D, 0x12D]
    assert seen[0][0] == "host"


def test_the_hand_over_time_is_an_option() -> None:
    times = []
    for hand_over_ns in (0, 70_000):
        link = open_simulated(request(options={"hand_over_ns": str(hand_over_ns)}))
        link.submit(SYNC, confirm=True)
        confirmed = run_by_hand(link.receive_until(SECOND))
        assert isinstance(confirmed, Confirmed)
        times.append(confirmed.t_ns)
    assert times == [48 * 4_000, 70_000 + 48 * 4_000]


def test_no_simulator_by_that_name() -> None:
    with pytest.raises(RecipeError, match="no simulated bus named 'nowhere' is installed"):
        find_opener("nowhere")


# ---- driving by hand -------------------------------------------------------------------------------------------


class Suspends:
    """Something else to wait for."""

    def __await__(self) -> Iterator[None]:
        yield


def test_a_coroutine_that_waits_for_something_else_is_a_bug_of_choreos() -> None:
    ended: list[str] = []

    async def session() -> None:
        try:
            await Suspends()
        finally:
            ended.append("closed")

    with pytest.raises(InternalError, match="waited for something other than the link"):
        run_by_hand(session())
    assert ended == ["closed"]


def test_what_a_coroutine_returns_or_raises_comes_out() -> None:
    async def returns() -> int:
        return 42

    async def raises() -> None:
        raise KeyError("gone")

    assert run_by_hand(returns()) == 42
    with pytest.raises(KeyError, match="gone"):
        run_by_hand(raises())
