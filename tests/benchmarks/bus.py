"""
What the simulated bus costs: requests and replies between a host's link and four nodes that answer at once.

The ratio is to a bare heap loop of the same run, one push and one pop a frame, which is what no simulation of events
can do without.
"""

import time
from heapq import heappop, heappush

from choreo.frame import Frame
from choreo.link.simulated import run_by_hand
from choreo_sim.bus import Bus
from choreo_sim.framebits import exact_bits
from choreo_sim.kernel import Kernel
from choreo_sim.link import SimulatedLink

NODES = range(11, 15)
ROUNDS = 5_000
PERIOD_NS = 20_000_000  # 50 polls a second
REPLY_NS = 300_000
REPEATS = 3


class Node:
    """Answers each request with its position, which changes with every reading."""

    def __init__(self, bus: Bus, node: int) -> None:
        self._position = 0
        self._bus = bus
        self._id = 0x120 + node
        self._controller = bus.attach(f"node {node}", self._hear, accepts=lambda id, extended: id == 0x140 + node)

    def _hear(self, frame: Frame, t_ns: int) -> None:
        self._position += 5
        data = b"\x92" + self._position.to_bytes(4, "little")
        self._controller.send(Frame(self._id, data), t_ns + REPLY_NS)


async def poll(link: SimulatedLink, rounds: int) -> int:
    """Ask every node once a period; how many replies came."""
    requests = [Frame(0x140 + node, b"\x12") for node in NODES]
    replies = 0
    for number in range(rounds):
        for request in requests:
            link.submit(request)
        while await link.receive_until((number + 1) * PERIOD_NS) is not None:
            replies += 1
    return replies


def requests_and_replies() -> tuple[float, float]:
    """Seconds for a frame, and simulated seconds in a second."""
    kernel = Kernel()
    bus = Bus(kernel, 500_000)
    for node in NODES:
        Node(bus, node)
    link = SimulatedLink(kernel, bus)
    began = time.perf_counter()
    replies = run_by_hand(poll(link, ROUNDS))
    took = time.perf_counter() - began
    if replies != ROUNDS * len(NODES):
        raise RuntimeError(f"{replies} replies to {ROUNDS * len(NODES)} requests")
    return took / (2 * replies), kernel.now_ns / 1e9 / took


def lengths() -> float:
    """Seconds for the exact length of a frame that was not seen before: an 11-bit identifier and five bytes."""
    frames = [Frame(0x12B, b"\x92" + number.to_bytes(4, "little")) for number in range(100_000)]
    began = time.perf_counter()
    for frame in frames:
        exact_bits(frame)
    return (time.perf_counter() - began) / len(frames)


def bare_heap() -> float:
    """Seconds for one push and one pop of a heap that holds ten events."""
    heap: list[tuple[int, int, int, None, None]] = [(number, 0, number, None, None) for number in range(10)]
    count = 200_000
    began = time.perf_counter()
    for number in range(count):
        heappush(heap, (number + 1_000, 0, number, None, None))
        heappop(heap)
    return (time.perf_counter() - began) / count


def main() -> None:
    """Print the figures: the best of a few repeats, each beside a bare heap of its own moment."""
    heap = min(bare_heap() for _ in range(REPEATS))
    frame, real_time = min(requests_and_replies() for _ in range(REPEATS))
    length = min(lengths() for _ in range(REPEATS))
    print(f"bare heap, push and pop: {heap * 1e6:.2f} us")
    print(f"a frame over link, bus and node: {frame * 1e6:.2f} us, {frame / heap:.1f} bare heaps")
    print(f"  that is {1 / frame:,.0f} frames a second, {real_time:.0f} times real time for four axes at 50 Hz")
    print(f"the exact length of a new frame: {length * 1e6:.2f} us, {length / heap:.1f} bare heaps")


if __name__ == "__main__":
    main()
