"""
How fast nodes are polled over the live link, and how long a reply takes: choreo's session, as in a real run, against
the plainest loop that can be written by hand with python-can, in turns within one run.

Both ask four nodes one after the other. The loop sends and receives until the reply is there, so it has one request
out; the session has one or four. The bus' own limit is the length of request and reply in bits, with nothing between.
"""

import tempfile
import time
from collections import deque
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

import can

from choreo.api import machine_plan
from choreo.errors import ChoreoError
from choreo.journal import JournalWriter
from choreo.link.live import open_live
from choreo.link.supervise import run_live
from choreo.live.steady import go_first, steady
from choreo.plan.model import Plan
from choreo.run.context import Run
from choreo.run.executor import prepare
from choreo.run.requests.lanes import Request

from ._peers import ASK, BIT_RATE, MACHINE, NODES, REPLY, REQUEST, exchange, on_pty, on_sim, on_virtual

POLLS = 4_000
TURNS = 3
#: A reply that takes so long never comes.
LOST_S = 2.0


@dataclass(slots=True)
class Took:
    """`seconds` for all of them, `processor` seconds of this process; `round_trips` of each, in nanoseconds."""

    seconds: float = float("inf")
    processor: float = 0.0
    round_trips: list[int] = field(default_factory=list)

    @property
    def rate(self) -> float:
        """Polls a second."""
        return len(self.round_trips) / self.seconds


def by_hand(bus: can.BusABC, polls: int) -> Took:
    """The plainest loop: send a request, receive until its reply has come."""
    requests = [can.Message(arbitration_id=REQUEST + node, data=ASK, is_extended_id=False) for node in NODES]
    took, clock = Took(), time.perf_counter_ns
    began, worked = clock(), time.process_time()
    for number in range(polls):
        node = number % len(NODES)
        asked = clock()
        bus.send(requests[node])
        while True:
            message = bus.recv(LOST_S)
            if message is None:
                raise SystemExit("a reply did not come")
            if message.arbitration_id == REPLY + NODES[node]:
                break
        took.round_trips.append(clock() - asked)
    took.seconds, took.processor = (clock() - began) / 1e9, time.process_time() - worked
    return took


class Polling:
    """Polls that go through the session's lanes and window, past its guard; `out` at a time, node by node."""

    def __init__(self, run: Run, out: int, polls: int) -> None:
        self.took = Took()
        self._traffic = run.session.traffic
        self._session = run.session
        self._left = polls
        self._out = out
        self._free: deque[Request] = deque()
        for axis in run.axes:
            lane, ask = self._traffic.lane(axis.plan.index), axis.drive.poll_position()
            request = Request(lane, ask, round(LOST_S * 1e9), lambda *_: None, self._failed)
            request.done = partial(self._done, request)
            self._free.append(request)

    async def go(self) -> Took:
        """All of them, in a thread that goes before others, as that of a run does."""
        go_first()
        expected, began, worked = self._left, time.perf_counter_ns(), time.process_time()
        for _ in range(self._out):
            self._ask()
        await self._session.turns(lambda: len(self.took.round_trips) == expected)
        self.took.seconds = (time.perf_counter_ns() - began) / 1e9
        self.took.processor = time.process_time() - worked
        return self.took

    def _ask(self) -> None:
        if self._left:
            self._left -= 1
            self._traffic.queue(self._free.popleft())

    def _done(self, request: Request, value: int, asked_ns: int, arrived_ns: int, tries: int) -> None:
        self.took.round_trips.append(arrived_ns - asked_ns)
        self._free.append(request)
        self._ask()

    def _failed(self, error: ChoreoError) -> None:
        raise SystemExit(f"a reply did not come: {error.headline}")


def by_session(run: Run, out: int, polls: int) -> Took:
    """As a real run does it: the coroutine is driven by hand in a thread of its own, and waits in the link."""
    return run_live(Polling(run, out, polls).go, run.session.link)


@contextmanager
def session_on(spec: str, plan: Plan) -> Iterator[Run]:
    """What a real run has: an open link, the lanes, the window, the guard, a journal."""
    link = open_live(spec, BIT_RATE)
    try:
        with steady():
            yield prepare(plan, link, JournalWriter(None))
    finally:
        link.close()


@contextmanager
def bus_on(spec: str) -> Iterator[can.BusABC]:
    """python-can's own driver as it is, without its two seconds for adapters that restart when they are opened."""
    interface, _, channel = spec.partition(":")
    options = {"sleep_after_open": 0, "bitrate": BIT_RATE} if interface == "slcan" else {}
    bus = can.Bus(interface=interface, channel=channel, ignore_config=True, **options)
    try:
        yield bus
    finally:
        bus.shutdown()


def in_turns(spec: str, plan: Plan, polls: int) -> dict[str, Took]:
    """The best of a few turns of each, in turns, so that what else the computer does falls on all of them."""
    best = {name: Took() for name in ("by hand", "one out", "four out")}

    def keep(name: str, took: Took) -> None:
        if took.seconds < best[name].seconds:
            best[name] = took

    for _ in range(TURNS):
        with bus_on(spec) as bus:
            by_hand(bus, polls // 10)
            keep("by hand", by_hand(bus, polls))
        with session_on(spec, plan) as run:
            by_session(run, 4, polls // 10)
            keep("one out", by_session(run, 1, polls))
            keep("four out", by_session(run, 4, polls))
    return best


def bus_limit() -> float:
    """Polls a second that a bus of 1 Mbit/s carries when it never rests."""
    from choreo_sim.framebits import exact_bits

    bits = [sum(map(exact_bits, exchange(node))) for node in NODES]
    return BIT_RATE * len(bits) / sum(bits)


def show(where: str, best: dict[str, Took], limit: float) -> None:
    """A line for each contender."""
    print(f"{where}:")
    hand = best["by hand"]
    for name, took in best.items():
        ordered = sorted(took.round_trips)
        middle, last = ordered[len(ordered) // 2] / 1e3, ordered[len(ordered) * 99 // 100] / 1e3
        who = "python-can by hand" if took is hand else f"choreo, {name}"
        aim = {"one out": " (aim 1.0)", "four out": " (aim 1.8)"}.get(name, "")
        print(
            f"  {who:20} {took.rate:7,.0f} polls a second, {took.rate / hand.rate:4.2f} times by hand{aim}, "
            f"{took.rate / limit:4.2f} times the bus' limit; "
            f"round trip {middle:,.0f} us, 99 % {last:,.0f} us; "
            f"{took.processor / len(ordered) * 1e6:,.0f} us of processor a poll"
        )


def main(polls: int = POLLS) -> None:
    """Print the figures of the three transports."""
    limit = bus_limit()
    print(f"a bus of 1 Mbit/s that never rests carries {limit:,.0f} polls a second")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        recipe = folder / "four.yaml"
        recipe.write_text(MACHINE, encoding="utf-8")
        plan = machine_plan(recipe)
        with on_virtual() as spec:
            show("virtual, answered by a thread (aim: above the bus' limit)", in_turns(spec, plan, polls), limit)
        with on_pty() as spec:
            show("pseudo-terminal, answered at once by a process", in_turns(spec, plan, polls), limit)
        with on_sim(folder) as spec:
            show(
                "pseudo-terminal, choreo sim with drives that take their time", in_turns(spec, plan, polls // 4), limit
            )


if __name__ == "__main__":
    main()
