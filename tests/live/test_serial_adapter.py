"""
The serial-line adapter from its host's side.

The opening lines are those that python-can 4.6.1's `slcan` interface sends; the coding of frames is that of its `send`
and `_recv_internal` (python-can 4.6.1, interfaces/slcan.py).
"""

from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from choreo.frame import Frame
from choreo_sim.serial_adapter import QUEUE, SerialAdapter
from choreo_sim.serial_lines import frame_of_line, line_of_frame
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


@contextmanager
def opened_at(port: str) -> Iterator[RawHost]:
    """Another host on a port, while inside."""
    host = RawHost(port)
    try:
        yield host
    finally:
        host.close()


def opened_anew(bench: SerialBench) -> AbstractContextManager[RawHost]:
    """The next host on the bench's port."""
    return opened_at(bench.adapter.port)


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


def test_a_host_that_dies_in_the_middle_of_a_line_leaves_nothing_to_the_next(
    opened: RawHost, bench: SerialBench
) -> None:
    # python-can closes without a word when its program is killed; the half line must not swallow the next host's `C`.
    assert bench.says_aloud() == "host: the host opened the channel at 500 kbit/s"
    opened.write(b"t14B1")
    opened.close()
    assert bench.says_aloud() == "host: the host went away without closing the channel"
    bench.says(Frame(0x12B, b"\x92"))  # while nobody is there
    with opened_anew(bench) as host:
        assert host.ask(b"C\rS5\rO\r", b"\r" * 3) == b"\r" * 3  # the bit rate may be chosen: it had been closed
        assert "WRONG BIT RATE" in bench.says_aloud()
        assert host.ask(OPENING, b"\r" * 5) == b"\r" * 5
        assert host.ask(b"t14B113\r", b"\r") == b"\r"
        assert bench.hears(1) == [Frame(0x14B, b"\x13")]
    assert len(bench.heard) == 1


def test_what_a_dead_host_did_not_read_is_not_for_the_next(opened: RawHost, bench: SerialBench) -> None:
    assert bench.says_aloud()
    bench.says(*[Frame(0x12B, bytes([count])) for count in range(20)])
    opened.close()
    assert "went away" in bench.says_aloud()
    with opened_anew(bench) as host:
        assert host.ask(b"V\r", b"V0101\r") == b"V0101\r"


def test_what_a_host_wrote_before_it_went_still_leaves(opened: RawHost, bench: SerialBench) -> None:
    # The last word of a dying host may be the stop.
    opened.write(b"t020161\r")
    opened.close()
    assert bench.hears(1) == [Frame(0x020, b"\x61")]


def test_hosts_may_come_and_go_many_times(bench: SerialBench) -> None:
    with bench.running():
        for count in range(30):
            with opened_anew(bench) as host:
                assert host.ask(OPENING, b"\r" * 5) == b"\r" * 5
                assert host.ask(b"t14B1%02X\r" % count, b"\r") == b"\r"
                assert bench.hears(1) == [Frame(0x14B, bytes([count]))]
                assert host.ask(b"C\r", b"\r") == b"\r"
        bench.adapter.close()
    assert [text for text in bench.said if "went away" in text] == []


def test_noise_on_the_line_costs_one_line(opened: RawHost, bench: SerialBench) -> None:
    opened.write(bytes(range(256)).replace(b"\r", b"") * 40)
    assert opened.ask(b"\r", b"\a") == b"\a"
    assert opened.ask(b"t14B112\r", b"\r") == b"\r"
    assert bench.hears(1) == [Frame(0x14B, b"\x12")]


def test_a_full_transmit_queue_says_no_and_is_told_once(opened: RawHost, bench: SerialBench) -> None:
    assert bench.says_aloud()
    # At one moment of the simulation, so that none of them has left: 32 fit.
    lines = b"".join(b"t14B1%02X\r" % count for count in range(40))
    bench.realtime.call(lambda: bench.adapter._take(lines))
    assert opened.read(40) == b"\r" * QUEUE + b"\a" * (40 - QUEUE)
    assert bench.hears(QUEUE) == [Frame(0x14B, bytes([count])) for count in range(QUEUE)]
    assert bench.adapter.refused == 40 - QUEUE
    assert bench.says_aloud() == "host: 32 frames wait for the bus: it says no to more"
    assert opened.ask(b"t14B1FF\r", b"\r") == b"\r"
    bench.realtime.call(lambda: bench.adapter._take(lines))
    opened.read(40)
    assert bench.adapter.refused >= 2 * (40 - QUEUE)
    assert len(bench.said) == 2


def test_lines_that_are_lost_are_told_at_the_beginning_and_the_end(opened: RawHost, bench: SerialBench) -> None:
    assert bench.says_aloud()
    frame = Frame(0x12B, bytes(8))

    def flood() -> None:
        for _ in range(20_000):
            bench.adapter._hear(frame, 0)

    bench.realtime.call(flood)
    assert bench.says_aloud() == "host: the host does not read: lines for it are lost"
    lost = bench.adapter.overruns
    opened.read((20_000 - lost) * 22)
    bench.says(frame)
    assert opened.read(22) == b"t12B80000000000000000\r"
    assert bench.says_aloud() == f"host: that is over; lines lost: {lost}"
    assert len(bench.said) == 3


def test_a_line_that_is_slower_than_the_bus_loses_too_and_keeps_a_bounded_queue() -> None:
    bench = SerialBench(baud=1200)
    with bench.running():
        with opened_anew(bench) as host:
            host.write(b"O\r")
            assert "opened" in bench.says_aloud()

            def flood() -> None:
                for _ in range(1000):
                    bench.adapter._hear(Frame(0x12B, bytes(8)), 0)

            bench.realtime.call(flood)
            assert bench.says_aloud() == "host: the line is too slow for the bus: lines for it are lost"
            # 4096 bytes are kept, lines of 22 bytes; the last may begin at the limit, and the answer came before.
            assert 1000 - bench.adapter.overruns in (4096 // 22, 4096 // 22 + 1)
        assert "that is over; lines lost" in bench.says_aloud()
        with opened_anew(bench) as host:  # what was still to come at 1200 baud is not for the next host
            assert host.ask(b"N\r", b"N0001\r") == b"N0001\r"
        bench.adapter.close()


def test_the_answer_to_a_frame_keeps_its_place(opened: RawHost, bench: SerialBench) -> None:
    bench.realtime.call(lambda: (bench.adapter._take(b"t14B112\rV\r"), bench.adapter._hear(Frame(0x12B, b"\x92"), 0)))
    assert opened.read(15) == b"\rV0101\rt12B192\r"


def test_an_adapter_that_is_lost_with_its_power_kept_still_sends(opened: RawHost, bench: SerialBench) -> None:
    def lose() -> None:
        bench.adapter._take(b"t14B112\rt14B113\r")
        bench.adapter.lose_adapter("unplugged", its_frames_leave=True)

    bench.realtime.call(lose)
    assert bench.hears(2) == [Frame(0x14B, b"\x12"), Frame(0x14B, b"\x13")]
    with pytest.raises(EOFError):
        opened.read(100)


def test_an_adapter_that_went_bus_off_is_told_and_comes_back_when_it_is_opened_again(
    opened: RawHost, bench: SerialBench
) -> None:
    # facts.md A10, A11 (ISO 11898-1): bus off at a count of 256, back after 128 times 11 recessive bits.
    assert bench.says_aloud()

    def switch_off() -> None:
        bench.adapter.host.tec = 256
        bench.adapter.host.restate()

    bench.realtime.call(switch_off)
    assert bench.says_aloud() == "adapter host is bus off (TEC 256, REC 0)"
    opened.write(b"t14B112\r")
    assert opened.read(1) == b"\r"
    bench.realtime.call(lambda: None)
    assert bench.heard == []
    opened.write(b"C\rO\r")
    assert bench.hears(1) == [Frame(0x14B, b"\x12")]


def test_a_remote_frame_may_ask_for_a_length(opened: RawHost, bench: SerialBench) -> None:
    assert opened.ask(b"r1238\r", b"\r") == b"\r"
    assert bench.hears(1)[0].same_bits(Frame(0x123, remote=True))


def test_after_it_stopped_answering_it_neither_reads_nor_writes(opened: RawHost, bench: SerialBench) -> None:
    bench.adapter.stop_answering()
    opened.write(b"t14B112\r")
    bench.says(Frame(0x12B, b"\x92"))
    bench.realtime.call(lambda: None)
    assert bench.heard == []
    bench.adapter.close()
    with pytest.raises(EOFError):  # and not a byte before
        opened.read(1)


def test_two_adapters_are_two_hosts_on_one_bus(opened: RawHost, bench: SerialBench) -> None:
    other = SerialAdapter(bench.realtime, bench.bus, name="host 2")
    with opened_at(other.port) as host:
        assert host.ask(OPENING, b"\r" * 5) == b"\r" * 5
        opened.write(b"t14B112\r")
        assert host.read(8) == b"t14B112\r"
        host.write(b"t020161\r")
        assert opened.read(9) == b"\rt020161\r"
    other.close()


@st.composite
def frames(draw: st.DrawFn) -> Frame:
    """Any classical frame."""
    extended, remote = draw(st.booleans()), draw(st.booleans())
    return Frame(
        draw(st.integers(0, (1 << (29 if extended else 11)) - 1)),
        b"" if remote else draw(st.binary(max_size=8)),
        extended,
        remote,
    )


@given(frames())
def test_a_frame_survives_its_line(frame: Frame) -> None:
    assert frame_of_line(line_of_frame(frame)) == frame


@given(st.binary(max_size=40) | st.from_regex(rb"\A[tTrR][0-9A-Fa-f]{4,26}\Z"))
def test_no_line_breaks_the_reader(line: bytes) -> None:
    frame = frame_of_line(line)
    if frame is not None and not frame.remote:
        assert line_of_frame(frame).upper() == line.upper()
