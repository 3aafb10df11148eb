"""Driving a link by hand in tests. Every wait ends with an event; the bounds only keep a broken link from hanging."""

import asyncio
import threading
from collections.abc import Callable

from choreo.frame import Frame
from choreo.link.port import Event, Link
from choreo.link.simulated import run_by_hand

#: Longer than any working link needs, even on a busy computer.
LONG_NS = 30_000_000_000
LONG_S = 30.0


def receive(link: Link, within_ns: int = LONG_NS) -> Frame | Event | None:
    """The next frame or event; None after `within_ns`."""
    return run_by_hand(link.receive_until(link.now_ns() + within_ns))


def receive_many(link: Link, count: int) -> list[Frame | Event | None]:
    """The next `count` frames and events."""
    return [receive(link) for _ in range(count)]


def bits(frames: list[Frame | Event | None]) -> list[tuple[object, ...]]:
    """What of frames is seen on the wire."""
    return [frame[:4] for frame in frames if isinstance(frame, Frame)]


def in_thread(job: Callable[[], object]) -> threading.Thread:
    """Run `job` beside the test; join it before the test ends."""
    thread = threading.Thread(target=job, daemon=True)
    thread.start()
    return thread


async def suspend() -> None:
    """What a session must not do: hand the thread to an event loop."""
    await asyncio.sleep(0)
