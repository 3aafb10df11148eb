"""The simulation at the pace of the clock: order stays exact, and calls from outside find their place in it."""

import os
import threading
import time
from collections.abc import Iterator

import pytest

from choreo_sim.kernel import Kernel
from choreo_sim.realtime import RealTime
from link.waiting import LONG_S

MS = 1_000_000


@pytest.fixture
def realtime() -> Iterator[RealTime]:
    realtime = RealTime(Kernel())
    yield realtime
    realtime.close()


def test_callbacks_keep_their_order_and_are_never_early(realtime: RealTime) -> None:
    ran: list[tuple[str, int, int]] = []
    over = threading.Event()
    kernel = realtime.kernel
    for name, due_ns in (("b", 2 * MS), ("a", 1 * MS), ("c", 2 * MS)):
        kernel.at(due_ns, lambda name: ran.append((name, kernel.now_ns, time.perf_counter_ns())), name)
    kernel.at(3 * MS, lambda _: over.set())
    began_ns = time.perf_counter_ns()
    with realtime.in_thread():
        assert over.wait(LONG_S)
    assert [(name, due_ns) for name, due_ns, _ in ran] == [("a", 1 * MS), ("b", 2 * MS), ("c", 2 * MS)]
    assert all(at_ns - began_ns >= due_ns for _, due_ns, at_ns in ran)
    assert realtime.late_ns >= 0


def test_a_call_from_another_thread_runs_in_the_simulation(realtime: RealTime) -> None:
    threads: list[str] = []
    with realtime.in_thread():
        realtime.call(lambda: threads.append(threading.current_thread().name))
        realtime.call(lambda: realtime.call(lambda: threads.append("nested")))
    realtime.call(lambda: threads.append(threading.current_thread().name))
    assert threads == ["simulation", "nested", threading.current_thread().name]


def test_a_call_finds_the_present_time(realtime: RealTime) -> None:
    kernel = realtime.kernel
    seen: list[int] = []
    due = threading.Event()
    kernel.at(2 * MS, lambda _: due.set())
    with realtime.in_thread():
        assert due.wait(LONG_S)
        realtime.call(lambda: seen.append(kernel.now_ns))
    assert seen[0] >= 2 * MS


def test_a_descriptor_takes_part_until_it_is_ignored(realtime: RealTime) -> None:
    readable, writable = os.pipe()
    got: list[bytes] = []
    read = threading.Semaphore(0)

    def take() -> None:
        got.append(os.read(readable, 1))
        read.release()

    realtime.watch(readable, take)
    with realtime.in_thread():
        os.write(writable, b"x")
        assert read.acquire(timeout=LONG_S)
        realtime.call(lambda: realtime.ignore(readable))
        os.write(writable, b"y")
        realtime.call(lambda: None)
        realtime.call(lambda: None)  # two rounds later it would have been read
    os.close(readable)
    os.close(writable)
    assert got == [b"x"]


def test_what_the_simulation_raises_comes_out(realtime: RealTime) -> None:
    def fail(_: None) -> None:
        raise ZeroDivisionError("in the drive")

    failed = threading.Event()
    realtime.kernel.at(1 * MS, lambda _: failed.set())
    realtime.kernel.at(1 * MS, fail)

    def simulate() -> None:
        with realtime.in_thread():
            assert failed.wait(LONG_S)
            realtime.call(lambda: None)  # returns although nobody runs the simulation any more

    with pytest.raises(ZeroDivisionError, match="in the drive"):
        simulate()


def test_it_can_be_stopped_and_run_again(realtime: RealTime) -> None:
    done = []
    with realtime.in_thread():
        realtime.call(lambda: done.append(1))
    rested_ns = realtime.kernel.now_ns
    with realtime.in_thread():
        realtime.call(lambda: done.append(realtime.kernel.now_ns >= rested_ns))
    assert done == [1, True]


def test_a_descriptor_that_takes_something_is_told_until_it_is_ignored(realtime: RealTime) -> None:
    readable, writable = os.pipe()
    os.set_blocking(writable, False)
    told = threading.Semaphore(0)
    count = [0]

    def tell() -> None:
        count[0] += 1
        told.release()

    def fill() -> None:
        try:
            while True:
                os.write(writable, bytes(4096))
        except BlockingIOError:
            realtime.watch_writable(writable, tell)

    with realtime.in_thread():
        realtime.call(fill)
        realtime.call(lambda: None)  # the pipe is full: nothing is told
        assert count == [0]
        os.read(readable, 1 << 16)
        assert told.acquire(timeout=LONG_S)
        realtime.call(lambda: realtime.ignore_writable(writable))
        before = count[0]
        realtime.call(lambda: None)
        realtime.call(lambda: None)
        assert count[0] == before > 0
    os.close(readable)
    os.close(writable)


def test_it_runs_ahead_as_far_as_everything_is_settled_and_never_back(realtime: RealTime) -> None:
    hour_ns = 3_600_000_000_000
    kernel = realtime.kernel
    seen: list[int] = []
    over = threading.Event()
    kernel.at(hour_ns, lambda _: over.set())
    realtime.settled_until = lambda: hour_ns
    with realtime.in_thread():
        realtime.call(lambda: None)  # something came from outside
        assert over.wait(LONG_S)  # it would have taken an hour
        realtime.call(lambda: seen.append(kernel.now_ns))
    assert seen == [hour_ns]
