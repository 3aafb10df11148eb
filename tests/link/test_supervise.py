"""A session driven by hand, and supervised: signals become interrupts, nothing kills it, its end is the end."""

import os
import signal
import threading
import uuid
from collections.abc import Iterator

import anyio
import pytest

from choreo.errors import InternalError, MachineFault
from choreo.frame import Frame
from choreo.link.live import LiveLink, open_live
from choreo.link.port import Answer, Event, Interrupt
from choreo.link.supervise import run_live, signals_post_to
from link.waiting import LONG_NS, suspend


@pytest.fixture
def link() -> Iterator[LiveLink]:
    link = open_live(f"virtual:supervise {uuid.uuid4()}", 500_000)
    yield link
    link.close()


async def next_of(link: LiveLink) -> Frame | Event | None:
    return await link.receive_until(link.now_ns() + LONG_NS)


def test_the_session_runs_in_a_thread_of_its_own_and_its_result_comes_back(link: LiveLink) -> None:
    async def session() -> str:
        return threading.current_thread().name

    assert run_live(session, link) != threading.main_thread().name


def test_what_the_session_raises_comes_out_as_it_is(link: LiveLink) -> None:
    async def session() -> None:
        raise MachineFault("it does not move")

    with pytest.raises(MachineFault, match="it does not move"):
        run_live(session, link)


def test_a_session_that_suspends_is_a_bug_of_choreos(link: LiveLink) -> None:
    with pytest.raises(InternalError, match="something other than the link"):
        run_live(suspend, link)


@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM", "SIGHUP"])
def test_a_signal_reaches_the_session_as_an_interrupt_and_kills_nothing(link: LiveLink, name: str) -> None:
    number = getattr(signal, name)
    before = signal.getsignal(number)

    async def session() -> list[Frame | Event | None]:
        got = []
        for _ in range(3):
            os.kill(os.getpid(), number)
            got.append(await next_of(link))
        return got

    assert run_live(session, link) == [Interrupt(name)] * 3
    assert signal.getsignal(number) is before


def test_a_signal_rings_so_that_a_waiting_main_thread_looks_up(link: LiveLink) -> None:
    # Without it, a signal between the main thread's last look and its next wait would lie until something else came.
    with signals_post_to(link) as alarm:
        assert alarm is not None
        with pytest.raises(BlockingIOError):
            alarm.recv(1)
        signal.raise_signal(signal.SIGTERM)
        assert alarm.recv(1) == bytes([signal.SIGTERM])
    assert run_live(lambda: next_of(link), link) == Interrupt("SIGTERM")


def test_tasks_beside_the_session_end_with_it(link: LiveLink) -> None:
    ended = []

    async def keyboard() -> None:
        link.post(Answer("yes"))
        try:
            await anyio.sleep_forever()
        finally:
            ended.append("keyboard")

    async def session() -> Frame | Event | None:
        return await next_of(link)

    assert run_live(session, link, keyboard) == Answer("yes")
    assert ended == ["keyboard"]


def test_a_task_that_fails_interrupts_the_session_and_is_raised_at_the_end(link: LiveLink) -> None:
    seen = []

    async def keyboard() -> None:
        raise OSError("no terminal")

    async def session() -> None:
        seen.append(await next_of(link))

    with pytest.raises(OSError, match="no terminal"):
        run_live(session, link, keyboard)
    assert seen == [Interrupt("keyboard failed: OSError('no terminal')")]


def test_outside_the_main_thread_no_signal_is_touched(link: LiveLink) -> None:
    handlers = []

    async def session() -> None:
        handlers.append(signal.getsignal(signal.SIGINT))

    before = signal.getsignal(signal.SIGINT)
    thread = threading.Thread(target=run_live, args=(session, link))
    thread.start()
    thread.join()
    assert handlers == [before]
