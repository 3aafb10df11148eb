"""Opening a bus by its name: what is refused, with which exit code, and what that costs a command that opens none."""

import os
import subprocess
import sys
import uuid

import can
import pytest
from hypothesis import given
from hypothesis import strategies as st

from choreo.errors import Exit, LinkLost, RecipeError
from choreo.frame import Frame
from choreo.link.adapter import to_frame, to_message
from choreo.link.live import open_live
from choreo.link.port import Confirmed
from link.waiting import receive


@pytest.mark.parametrize("spec", ["", "socketcan", ":can0", "slcan:"])
def test_a_spec_names_an_interface_and_a_channel(spec: str) -> None:
    with pytest.raises(RecipeError, match="does not name an interface and a channel") as refusal:
        open_live(spec, 500_000)
    assert refusal.value.exit == Exit.REFUSED
    assert "socketcan:can0" in refusal.value.help


def test_an_unknown_interface_is_refused_with_those_there_are() -> None:
    with pytest.raises(RecipeError, match="has no interface named 'slcann'") as refusal:
        open_live("slcann:/dev/ttyACM0", 500_000)
    assert "slcan, " in refusal.value.help


def test_a_bit_rate_that_the_adapter_lacks_is_refused() -> None:
    # python-can's slcan driver has no 800 kbit/s.
    ours, theirs = os.openpty()
    try:
        with pytest.raises(RecipeError, match="at 800000 bit/s is refused") as refusal:
            open_live(f"slcan:{os.ttyname(theirs)}", 800_000)
        assert "500000" in str(refusal.value)
    finally:
        os.close(ours)
        os.close(theirs)


def test_an_adapter_that_is_not_there_is_a_lost_link() -> None:
    with pytest.raises(LinkLost, match=r"'slcan:/dev/no_such_port' cannot be opened: .*No such file") as loss:
        open_live("slcan:/dev/no_such_port", 500_000)
    assert loss.value.exit == Exit.LINK
    assert loss.value.help


def test_a_virtual_bus_confirms_by_its_echo() -> None:
    channel = f"opening {uuid.uuid4()}"
    link = open_live(f"virtual:{channel}", 500_000)
    peer = can.Bus(interface="virtual", channel=channel)
    try:
        link.submit(Frame(0x14B, b"\x12"), confirm=True)
        assert isinstance(receive(link), Confirmed)
        got = peer.recv(30)
        assert got is not None
        assert (got.arbitration_id, bytes(got.data)) == (0x14B, b"\x12")
        peer.send(can.Message(arbitration_id=0x12B, data=b"\x92", is_extended_id=False))
        assert isinstance(receive(link), Frame)
        assert link.counts.echoes == 1
    finally:
        link.close()
        peer.shutdown()


def test_python_can_is_not_imported_before_a_bus_is_opened() -> None:
    code = (
        "import sys, choreo.link.live, choreo.link.trace, choreo.link.supervise;"
        "print('can' in sys.modules, 'anyio' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["False", "False"]


@given(st.integers(0, 0x1FFFFFFF), st.binary(max_size=8), st.booleans(), st.booleans())
def test_messages_and_frames_turn_into_each_other(id: int, data: bytes, extended: bool, remote: bool) -> None:
    frame = Frame(id if extended else id & 0x7FF, b"" if remote else data, extended, remote)
    message = to_message(frame)
    message._check()  # python-can's own idea of a valid message
    assert to_frame(message, 7) == frame._replace(t_ns=7)
