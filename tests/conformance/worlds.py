"""
The links under test, each with its other side.

A new link joins by a context manager that yields a `World`, registered under a name:

    @world("my adapter")
    @contextmanager
    def my_adapter() -> Iterator[World]: ...

Whatever a world cannot do stays None: the tests that need it are left out there.
"""

import threading
import uuid
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, ExitStack, contextmanager
from dataclasses import dataclass

import can

from choreo.frame import Frame
from choreo.link.live import LiveLink, open_live
from choreo.link.port import Link
from choreo.link.simulated import run_by_hand
from choreo_sim.bus import Bus
from choreo_sim.kernel import Kernel
from choreo_sim.link import SimulatedLink
from link.fake_bus import DescriptorBus, FakeBus, message
from link.waiting import LONG_NS, LONG_S
from live.bench import SerialBench


@dataclass
class World:
    """
    A link and its other side.

    `says(*frames)` lets another node send frames; they are on their way to the link when it returns. `hears(count)`
    waits for the next `count` frames of ours that reach the other side. While `stall()` holds, nothing more leaves the
    adapter, until `resume()`. `lose()` takes the adapter away. `lets_no_time_pass`: time stands still unless somebody
    waits.
    """

    link: Link
    says: Callable[..., None]
    hears: Callable[[int], list[Frame]]
    stall: Callable[[], None] | None = None
    resume: Callable[[], None] | None = None
    lose: Callable[[], None] | None = None
    lets_no_time_pass: bool = False


Open = Callable[[], AbstractContextManager[World]]

WORLDS: dict[str, Open] = {}


def world(name: str) -> Callable[[Open], Open]:
    """Register a world."""

    def register(open_: Open) -> Open:
        WORLDS[name] = open_
        return open_

    return register


@world("simulated")
@contextmanager
def simulated() -> Iterator[World]:
    """Virtual time: the other side lets it pass where it waits."""
    kernel = Kernel()
    bus = Bus(kernel, 500_000)
    link = SimulatedLink(kernel, bus)
    heard: list[Frame] = []
    taken = [0]
    peer = bus.attach("peer", lambda frame, t_ns: heard.append(frame), fifo=True)

    def says(*frames: Frame) -> None:
        for frame in frames:
            peer.send(frame)
        while peer.pending:
            kernel.step()

    def hears(count: int) -> list[Frame]:
        while len(heard) < taken[0] + count:
            assert kernel.step(), f"heard only {heard}"
        taken[0] += count
        return heard[taken[0] - count : taken[0]]

    def stall() -> None:
        link.adapter_delay_ns = lambda frame, now_ns: 1_000_000_000 - now_ns

    def resume() -> None:
        link.adapter_delay_ns = None

    yield World(link, says, hears, stall, resume, lambda: link.lose_adapter("unplugged"), True)
    link.close()


def _on_fake_bus(bus: FakeBus, *, echoes: bool) -> Iterator[World]:
    """python-can's side played by the test: frames that leave are what `send` was given, if it returned."""
    link = LiveLink(bus, echoes=echoes)
    taken = [0]

    def says(*frames: Frame) -> None:
        bus.feed(
            *(
                message(frame.id, frame.data, is_extended_id=frame.extended, is_remote_frame=frame.remote)
                for frame in frames
            )
        )

    def hears(count: int) -> list[Frame]:
        for _ in range(count):
            while not bus.was_sent.acquire(timeout=0.001):
                # Echoes are seen while the session waits, and only then does the next frame go to the adapter.
                assert run_by_hand(link.receive_until(link.now_ns())) is None
                assert link.now_ns() < LONG_NS, f"was sent only {bus.sent}"
        taken[0] += count
        return [
            Frame(sent.arbitration_id, bytes(sent.data), sent.is_extended_id, sent.is_remote_frame)
            for sent in bus.sent[taken[0] - count : taken[0]]
        ]

    try:
        yield World(
            link,
            says,
            hears,
            bus.may_send.clear,
            bus.may_send.set,
            lambda: bus.feed(can.CanOperationError("unplugged")),
        )
    finally:
        bus.may_send.set()
        link.close()


@world("live, by receive thread")
@contextmanager
def live_by_thread() -> Iterator[World]:
    """A python-can bus without a file descriptor, whose own frames do not come back."""
    yield from _on_fake_bus(FakeBus(), echoes=False)


@world("live, by descriptor, echoing")
@contextmanager
def live_by_descriptor() -> Iterator[World]:
    """A python-can bus with a file descriptor that returns each frame when it has left."""
    yield from _on_fake_bus(DescriptorBus(echoes=True), echoes=True)


@world("virtual")
@contextmanager
def virtual() -> Iterator[World]:
    """python-can's own virtual bus, with another of its buses as the other side."""
    channel = f"conformance {uuid.uuid4()}"
    with ExitStack() as stack:
        peer = can.Bus(interface="virtual", channel=channel)
        stack.callback(peer.shutdown)
        link = open_live(f"virtual:{channel}", 500_000)
        stack.callback(link.close)

        def says(*frames: Frame) -> None:
            for frame in frames:
                peer.send(message(frame.id, frame.data, is_extended_id=frame.extended, is_remote_frame=frame.remote))

        def hears(count: int) -> list[Frame]:
            frames = []
            for _ in range(count):
                got = peer.recv(LONG_S)
                assert got is not None, f"heard only {frames}"
                frames.append(Frame(got.arbitration_id, bytes(got.data), got.is_extended_id, got.is_remote_frame))
            return frames

        yield World(link, says, hears)


@world("serial line")
@contextmanager
def serial_line() -> Iterator[World]:
    """python-can's `slcan` driver on a pseudo-terminal, a simulated bus in real time behind it."""
    bench = SerialBench()
    bench.peer.fifo = True
    with bench.linked() as link:
        lock = threading.Lock()
        taken = [0]

        def hears(count: int) -> list[Frame]:
            with lock:
                for _ in range(count):
                    assert bench.was_heard.acquire(timeout=LONG_S), f"heard only {bench.heard}"
                taken[0] += count
                return [frame for _, frame in bench.heard[taken[0] - count : taken[0]]]

        yield World(link, bench.says, hears, lose=bench.adapter.close)
