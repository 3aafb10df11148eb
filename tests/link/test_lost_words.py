"""An adapter that goes in the middle of things is one event, in words that somebody beside the machine understands."""

import errno
import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager

import can
import pytest

from choreo.errors import LinkLost
from choreo.frame import Frame
from choreo.link.adapter import words
from choreo.link.live import LiveLink, open_live
from choreo.link.port import AdapterLost
from link.waiting import LONG_S, receive

#: Holds the far end of a pseudo-terminal and does nothing else, until its input ends.
FAR_END = "import os, sys; ours, theirs = os.openpty(); print(os.ttyname(theirs), flush=True); sys.stdin.read()"


@contextmanager
def line() -> Iterator[tuple[LiveLink, "subprocess.Popen[str]"]]:
    """A link on a serial line whose other end is a process."""
    far = subprocess.Popen([sys.executable, "-c", FAR_END], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    assert far.stdout is not None
    try:
        link = open_live(f"slcan:{far.stdout.readline().strip()}", 500_000)
        try:
            yield link, far
        finally:
            link.close()
    finally:
        far.kill()
        far.communicate(timeout=LONG_S)


def lost(link: LiveLink) -> str:
    got = receive(link)
    assert isinstance(got, AdapterLost)
    return got.reason


def test_a_process_that_is_gone_at_the_other_end() -> None:
    with line() as (link, far):
        far.kill()
        far.wait(LONG_S)
        assert "unplugged, or its other end is gone" in lost(link)
        assert receive(link, 1_000_000) is None


def test_writing_to_what_is_gone() -> None:
    with line() as (link, far):
        far.kill()
        far.wait(LONG_S)
        for number in range(10):
            link.submit(Frame(0x14B, bytes([number])))
        assert "unplugged, or its other end is gone" in lost(link)
        assert link.unsent() > 0


def test_a_port_that_is_gone_is_closed_all_the_same_and_may_be_closed_twice() -> None:
    with line() as (link, far):
        far.kill()
        far.wait(LONG_S)
        link.close()
        link.close()
        with pytest.raises(LinkLost, match="closed"):
            receive(link)


@pytest.mark.parametrize(
    ("number", "said"),
    [
        (errno.ENODEV, "it was unplugged ("),
        (errno.ENETDOWN, "its interface was taken down ("),
        (errno.ENOBUFS, "its queue is full: nobody on the bus acknowledges, or the bus is overloaded ("),
        (errno.ECONNRESET, "its other end is gone ("),
        (errno.EINVAL, "OSError: [Errno"),
    ],
)
@pytest.mark.parametrize("wrapped", [False, True])
def test_the_systems_numbers_in_plain_words(number: int, said: str, wrapped: bool) -> None:
    trouble: Exception = OSError(number, os.strerror(number))
    if wrapped:
        outer = can.CanOperationError("Failed to transmit", number)
        outer.__cause__ = trouble
        trouble = outer
    assert words(trouble).startswith(said)
    assert os.strerror(number) in words(trouble)


def test_a_number_that_only_the_driver_has_counts_as_well() -> None:
    assert words(can.CanOperationError("Failed to transmit", errno.ENETDOWN)).startswith("its interface was taken down")


def test_a_write_that_takes_too_long() -> None:
    serial = pytest.importorskip("serial")
    assert words(serial.SerialTimeoutException("Write timeout")).startswith("it takes nothing any more (")
