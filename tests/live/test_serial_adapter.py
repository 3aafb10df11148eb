"""
The serial-line adapter from its host's side.

The opening lines are those that python-can 4.6.1's `slcan` interface sends; the coding of frames is that of its `send`
and `_recv_internal` (python-can 4.6.1, interfaces/slcan.py).
"""

from collections.abc import Iterator
from itertools import pairwise

import pytest

from choreo.frame import Frame
from live.bench import RawHost, SerialBench

OPENING = b"C\rS6\r\rO\rO\r"


@pytest.fixture
def bench() -> SerialBench:
    return SerialBench()


@pytest.fixture
def host(bench: SerialBench) -> Iterator[RawHost]:
    with bench.running():
        host = RawHost(bench.adapter.port)
        yield host
        host.close()
        bench.adapter.close()


@pytest.fixture
def opened(host: RawHost) -> RawHost:
    assert host.ask(OPENING, b"\r" * 5) == b"\r" * 5
    return host


def test_it_opens_as_the_driver_wants_it(opened: RawHost, bench: SerialBench) -> None:
    assert opened.ask(b"t14B112\r", b"\r") == b"\r"
    assert bench.hears(1) == [Frame(0x14B, b"\x12")]


@pytest.mark.parametrize(
    ("line", "frame"),
    [
        (b"t14B112\r", Frame(0x14B, b"\x12")),
        (b"t0000\r", Frame(0x000)),
        (b"t7FF8FFEEDDCCBBAA9988\r", Frame(0x7FF, bytes.fromhex("FFEEDDCCBBAA9988"))),
        (b"T01ABCDEF201FF\r", Frame(0x01ABCDEF, b"\x01\xff", extended=True)),
        (b"r1230\r", Frame(0x123, remote=True)),
        (b"R01ABCDEF0\r", Frame(0x01ABCDEF, extended=True, remote=True)),
    ],
)
def test_frames_pass_both_ways(opened: RawHost, bench: SerialBench, line: bytes, frame: Frame) -> None:
    assert opened.ask(line, b"\r") == b"\r"
    assert bench.hears(1)[0].same_bits(frame)
    bench.says(frame)
    assert opened.read(len(line)) == line


@pytest.mark.parametrize(
    "line",
    [
        b"t14B\r",
        b"t14B2112\r",
        b"t14B112\n\r",
        b"tXYZ112\r",
        b"t8FF112\r",
        b"T2ABCDEF0112\r",
        b"t14B9112233445566778899\r",
        b"q\r",
        b"S6\r",
        b"r1231FF\r",
        b"t14B112" + b"0" * 80 + b"\r",
    ],
)
def test_what_is_no_command_is_refused(opened: RawHost, bench: SerialBench, line: bytes) -> None:
    assert opened.ask(line, b"\a") == b"\a"
    assert opened.ask(b"t14B112\r", b"\r") == b"\r"  # and the line after it is understood
    assert bench.hears(1) == [Frame(0x14B, b"\x12")]
    assert len(bench.heard) == 1


def test_it_says_who_it_is(host: RawHost) -> None:
    assert host.ask(b"V\r", b"V0101\r") == b"V0101\r"
    assert host.ask(b"N\r", b"N0001\r") == b"N0001\r"
    assert host.ask(b"F\r", b"F00\r") == b"F00\r"


def test_closed_it_neither_sends_nor_hears(host: RawHost, bench: SerialBench) -> None:
    assert host.ask(b"t14B112\r", b"\a") == b"\a"
    bench.says(Frame(0x12B, b"\x92"))
    assert host.ask(OPENING, b"\r" * 5) == b"\r" * 5  # nothing came in between
    assert host.ask(b"C\r", b"\r") == b"\r"
    assert host.ask(b"t14B112\r", b"\a") == b"\a"
    assert bench.heard == []


def test_listening_only_it_hears_and_does_not_send(host: RawHost, bench: SerialBench) -> None:
    assert host.ask(b"S6\rL\r", b"\r\r") == b"\r\r"
    assert host.ask(b"t14B112\r", b"\a") == b"\a"
    bench.says(Frame(0x12B, b"\x92"))
    assert host.read(8) == b"t12B192\r"
    assert bench.heard == []


def test_at_another_bit_rate_than_the_bus_it_is_deaf_and_dumb(host: RawHost, bench: SerialBench) -> None:
    assert host.ask(b"S5\rO\r", b"\r\r") == b"\r\r"
    assert host.ask(b"t14B112\r", b"\r") == b"\r"  # a serial-line adapter says yes when it has the frame
    bench.says(Frame(0x12B, b"\x92"))
    assert host.ask(b"V\r", b"V0101\r") == b"V0101\r"
    assert bench.heard == []


def test_a_host_that_does_not_read_loses_whole_lines(opened: RawHost, bench: SerialBench) -> None:
    frames = [Frame(0x12B, count.to_bytes(8, "big")) for count in range(20_000)]

    def flood() -> None:
        for frame in frames:
            bench.adapter._hear(frame, 0)

    bench.realtime.call(flood)
    assert bench.adapter.overruns > 0
    kept = len(frames) - bench.adapter.overruns
    lines = opened.read(kept * 22).split(b"\r")
    assert lines == [b"t12B8" + count.to_bytes(8, "big").hex().upper().encode() for count in range(kept)] + [b""]


def test_a_paced_line_is_as_slow_as_a_real_one() -> None:
    # practice.md P30: 115,200 baud need 1.9 ms for an 8-byte frame: 22 characters of 10 bits.
    bench = SerialBench(baud=115_200)
    with bench.running():
        host = RawHost(bench.adapter.port)
        host.write(OPENING)
        host.write(b"".join(b"t14B8%016X\r" % count for count in range(12)))
        bench.hears(12)
        host.close()
        bench.adapter.close()
    times = [t_ns for t_ns, _ in bench.heard]
    assert [frame.data for _, frame in bench.heard] == [count.to_bytes(8, "big") for count in range(12)]
    # Frames differ by at most 22 stuff bits of 2 µs (facts.md A5), which is all that may shorten a gap.
    assert all(later - earlier >= 1_909_000 - 44_000 for earlier, later in pairwise(times))


def test_unplugged_it_leaves_the_bus(opened: RawHost, bench: SerialBench) -> None:
    bench.adapter.close()
    bench.adapter.close()
    with pytest.raises(EOFError):
        opened.read(1)
    assert bench.bus.online == 1  # the peer alone: nobody acknowledges any more
