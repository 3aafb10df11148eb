"""Lines of a serial-line adapter, taken at once: the same as python-can's own driver takes byte by byte."""

import can
import pytest
from hypothesis import given
from hypothesis import strategies as st

from choreo.link.serial_reading import read_in_one_go, whole_lines
from link.fake_bus import FakeBus

frames = st.one_of(
    st.builds(
        lambda id, data: f"t{id:03X}{len(data)}{data.hex().upper()}\r",
        st.integers(0, 0x7FF),
        st.binary(max_size=8),
    ),
    st.builds(
        lambda id, data: f"T{id:08X}{len(data)}{data.hex().upper()}\r",
        st.integers(0, 0x1FFFFFFF),
        st.binary(max_size=8),
    ),
    st.builds(lambda id, length: f"r{id:03X}{length}\r", st.integers(0, 0x7FF), st.integers(0, 8)),
)
answers = st.sampled_from(["\r", "\a"])


class Port:
    """What comes, in pieces as they come."""

    def __init__(self, pieces):
        self.pieces = list(pieces)

    @property
    def in_waiting(self):
        return len(self.pieces[0]) if self.pieces else 0

    def read(self, size):
        if not self.pieces:
            return b""
        piece = self.pieces.pop(0)
        if len(piece) > size:
            self.pieces.insert(0, piece[size:])
        return piece[:size]


def driver(pieces):
    """python-can's own driver, with this port in place of its own."""
    bus = can.interfaces.slcan.slcanBus.__new__(can.interfaces.slcan.slcanBus)
    can.BusABC.__init__(bus, "a port")
    bus._buffer, bus._queue, bus.serialPortOrig = bytearray(), __import__("queue").SimpleQueue(), Port(pieces)
    bus._is_shutdown = True  # there is nothing to close
    return bus


def heard(bus):
    found = []
    while bus._queue.qsize() or bus.serialPortOrig.pieces:
        message = bus.recv(0)
        if message is not None:
            found.append((message.arbitration_id, message.is_extended_id, message.is_remote_frame, bytes(message.data)))
    return found


@given(st.lists(st.one_of(frames, answers), max_size=12), st.lists(st.integers(1, 30), max_size=20))
def test_whatever_the_pieces_it_hears_what_the_driver_hears_by_itself(lines, cuts):
    data, pieces = "".join(lines).encode(), []
    for cut in cuts:
        pieces.append(data[:cut])
        data = data[cut:]
    pieces = [piece for piece in (*pieces, data) if piece]
    plain, quick = driver(pieces), driver(pieces)
    assert read_in_one_go(quick)
    assert heard(quick) == heard(plain)


@given(st.binary(max_size=80))
def test_noise_loses_its_own_line_and_no_other(noise):
    bus = driver([noise + b"\r", b"t14B112\r"])
    assert read_in_one_go(bus)
    assert heard(bus)[-1:] == [(0x14B, False, False, b"\x12")]


@pytest.mark.parametrize("line", ["t14B211\r", "t14B\r", "T14B112\r", "t9FF0\r", "t14B9\r", "r14B\a"])
def test_what_begins_like_a_frame_and_is_none_is_dropped(line):
    buffer = bytearray(line.encode() + b"t14B112\r")
    assert whole_lines(buffer) == ["t14B112\r"]


def test_a_frame_with_a_time_behind_it_and_other_answers_get_through():
    buffer = bytearray(b"t14B112A0F3\rV0101\r\r\at1")
    assert whole_lines(buffer) == ["t14B112A0F3\r", "V0101\r"]
    assert buffer == b"t1"


def test_another_bus_is_left_alone():
    assert not read_in_one_go(FakeBus())
