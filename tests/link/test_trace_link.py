"""
Traces: what is written, that python-can's own reader of candump files understands it, and the reader of ours.

The form is that of `candump -L` (can-utils); python-can's `CanutilsLogReader` is the reference for reading it.
"""

import errno
import io
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import can
import pytest
from hypothesis import given
from hypothesis import strategies as st

from choreo.errors import RecipeError
from choreo.frame import Frame
from choreo.link.port import AdapterLost, BusTrouble, Confirmed, Event, Interrupt, Link
from choreo.link.simulated import run_by_hand
from choreo.link.trace import TraceLine, TraceLink, read_trace, trace_file


@dataclass
class ScriptedLink:
    """A link whose clock and events a test sets by hand."""

    t_ns: int = 0
    submitted: list[Frame] = field(default_factory=list)  # and not yet left
    coming: deque[Frame | Event] = field(default_factory=deque)
    posted: list[Event] = field(default_factory=list)
    closed: bool = False

    def now_ns(self) -> int:
        return self.t_ns

    def submit(self, frame: Frame, *, confirm: bool = False) -> None:
        self.submitted.append(frame)

    def withdraw(self, unwanted: Callable[[Frame], bool]) -> list[Frame]:
        taken = [frame for frame in self.submitted if unwanted(frame)]
        self.submitted = [frame for frame in self.submitted if not unwanted(frame)]
        return taken

    def unsent(self) -> int:
        return len(self.submitted)

    def post(self, event: Event) -> None:
        self.posted.append(event)

    async def receive_until(self, deadline_ns: int) -> Frame | Event | None:
        if self.coming:
            return self.coming.popleft()
        self.t_ns = max(self.t_ns, deadline_ns)
        return None

    def close(self) -> None:
        self.closed = True


class Bench:
    """A traced link, and what it has written."""

    def __init__(self, start_ns: int = 0) -> None:
        self.inner = ScriptedLink(start_ns)
        self.out = io.StringIO()
        self.link: Link = TraceLink(self.inner, self.out)

    def submit(self, t_ns: int, frame: Frame, *, confirm: bool = False) -> None:
        self.inner.t_ns = t_ns
        self.link.submit(frame, confirm=confirm)

    def comes(self, t_ns: int, item: Frame | Event) -> None:
        self.inner.t_ns = t_ns
        self.inner.coming.append(item)
        assert run_by_hand(self.link.receive_until(t_ns)) is item

    def passes(self, t_ns: int) -> None:
        assert run_by_hand(self.link.receive_until(t_ns)) is None

    def lines(self) -> list[str]:
        return self.out.getvalue().splitlines()

    def by_python_can(self) -> list[can.Message]:
        return list(can.CanutilsLogReader(io.StringIO(self.out.getvalue())))


def test_a_request_and_its_reply_in_the_form_of_candump() -> None:
    bench = Bench(start_ns=5_000_000_000)
    bench.submit(5_000_020_000, Frame(0x14B, b"\x12"))
    bench.inner.submitted.clear()
    bench.comes(6_234_567_899, Frame(0x12B, b"\x92\xf0\xd8\xff\xff", t_ns=6_234_567_899))
    assert bench.lines() == ["(0.000020) can0 14B#12 T", "(1.234567) can0 12B#92F0D8FFFF R"]


def test_python_can_reads_back_what_was_written() -> None:
    bench = Bench()
    bench.submit(1_000, Frame(0x14B, b"\x12"))
    bench.submit(2_000, Frame(0x1ABCDEF, b"", extended=True))
    bench.submit(3_000, Frame(0x7FF, remote=True))
    bench.inner.submitted.clear()
    bench.comes(4_000, Frame(0x000, bytes(8), t_ns=4_000))
    bench.comes(5_000, BusTrouble("error frame", 5_000))
    messages = bench.by_python_can()
    assert [(m.arbitration_id, bytes(m.data), m.is_extended_id, m.is_remote_frame, m.is_rx) for m in messages[:4]] == [
        (0x14B, b"\x12", False, False, False),
        (0x1ABCDEF, b"", True, False, False),
        (0x7FF, b"", False, True, False),
        (0x000, bytes(8), False, False, True),
    ]
    assert [round(m.timestamp * 1e6) for m in messages] == [1, 2, 3, 4, 5]
    assert {m.channel for m in messages[:4]} == {"can0"}
    assert messages[4].is_error_frame


def test_a_frame_is_written_when_it_has_left_and_not_before() -> None:
    bench = Bench()
    bench.submit(1_000, Frame(0x14B, b"\x12"))
    bench.comes(2_000, Frame(0x12C, b"\x91", t_ns=2_000))
    assert bench.lines() == ["(0.000002) can0 12C#91 R"]
    bench.inner.submitted.clear()
    bench.passes(3_000)
    # Still in the outbox at 2 µs, so it cannot have left before.
    assert bench.lines()[1:] == ["(0.000002) can0 14B#12 T"]


def test_a_late_delivered_frame_keeps_its_time() -> None:
    bench = Bench()
    bench.submit(6_000, Frame(0x14B, b"\x12"))
    bench.inner.submitted.clear()
    bench.comes(7_000, Frame(0x12C, b"\x91", t_ns=5_000))
    bench.passes(8_000)
    assert bench.lines() == ["(0.000005) can0 12C#91 R", "(0.000006) can0 14B#12 T"]


def test_a_confirmed_frame_bears_the_time_at_which_it_left() -> None:
    bench = Bench()
    trigger = Frame(0x040, b"\x51")
    bench.submit(1_000, Frame(0x14B, b"\x12"))
    bench.submit(1_000, trigger, confirm=True)
    bench.submit(1_000, Frame(0x14C, b"\x12"))
    bench.inner.submitted.clear()
    bench.comes(9_000, Frame(0x12B, b"\x92", t_ns=7_000))  # delivered before the confirmation of the trigger
    assert bench.lines() == ["(0.000001) can0 14B#12 T", "(0.000007) can0 12B#92 R"]
    bench.comes(9_500, Confirmed(trigger, 8_000))
    bench.passes(10_000)
    assert bench.lines()[2:] == ["(0.000008) can0 040#51 T", "(0.000008) can0 14C#12 T"]


def test_what_is_withdrawn_or_lost_with_the_adapter_is_not_in_the_trace() -> None:
    bench = Bench()
    load, poll, stop = Frame(0x14B, b"\x42"), Frame(0x14B, b"\x12"), Frame(0x020, b"\x61")
    for frame in (load, poll, load, stop):
        bench.submit(1_000, frame)
    bench.inner.submitted.pop(0)
    assert bench.link.withdraw(lambda frame: frame == load) == [load]
    assert bench.link.unsent() == 2
    bench.passes(2_000)
    assert bench.lines() == ["(0.000001) can0 14B#42 T"]
    bench.comes(3_000, AdapterLost("unplugged"))
    bench.inner.submitted.pop(0)
    bench.link.close()
    assert bench.lines()[1:] == ["(0.000001) can0 14B#12 T"]
    assert bench.inner.closed


def test_the_traced_link_is_the_link() -> None:
    bench = Bench(start_ns=7)
    assert bench.link.now_ns() == 7
    bench.link.post(Interrupt("a key"))
    assert bench.inner.posted == [Interrupt("a key")]


IDENTIFIERS = st.one_of(
    st.tuples(st.integers(0, 0x7FF), st.just(False)), st.tuples(st.integers(0, 0x1FFFFFFF), st.just(True))
)


@st.composite
def frames(draw: st.DrawFn) -> Frame:
    id, extended = draw(IDENTIFIERS)
    remote = draw(st.booleans())
    return Frame(id, b"" if remote else draw(st.binary(max_size=8)), extended, remote)


@given(st.lists(st.tuples(frames(), st.booleans(), st.integers(0, 3_000_000_000)), max_size=20))
def test_every_frame_is_read_back_by_both_readers(passing: list[tuple[Frame, bool, int]]) -> None:
    bench = Bench()
    now = 0
    expected = []
    for frame, sent, after_ns in passing:
        now += after_ns
        expected.append((frame, sent, now // 1000 * 1000))
        if sent:
            bench.submit(now, frame)
            bench.inner.submitted.clear()
            bench.passes(now)
        else:
            bench.comes(now, frame._replace(t_ns=now))
    read = list(read_trace(io.StringIO(bench.out.getvalue())))
    assert [(line.frame, line.sent, line.t_ns) for line in read] == [
        (frame._replace(t_ns=t_ns), sent, t_ns) for frame, sent, t_ns in expected
    ]
    theirs = bench.by_python_can()
    assert [(m.arbitration_id, bytes(m.data), m.is_extended_id, m.is_remote_frame, not m.is_rx) for m in theirs] == [
        (*frame[:1], frame.data, frame.extended, frame.remote, sent) for frame, sent, _ in expected
    ]


def test_the_reader_takes_what_others_write() -> None:
    text = (
        "(1436509052.249713) vcan0 044#2A366C2BBA\n"
        "\n"
        "(1436509052.449847) vcan0 0F6#7ADFE07BD2 R\n"
        "(1436509052.650004) can1 1ABCDEF0#R8 T\n"
        "(1436509053.650004) can1 123##112233\n"
        "(1436509053.850004) can1 20000080#0000000000000000\n"
    )
    lines = list(read_trace(io.StringIO(text)))
    assert lines[0] == TraceLine(
        1436509052249713000, "vcan0", Frame(0x044, b"\x2a\x36\x6c\x2b\xba", t_ns=1436509052249713000), None
    )
    assert [line.sent for line in lines] == [None, False, True, None, None]
    assert lines[2].frame == Frame(0x1ABCDEF0, b"", True, True, 1436509052650004000)
    assert [(line.frame, line.note) for line in lines[3:]] == [(None, "CAN FD frame"), (None, "error frame")]


def test_python_can_writes_what_the_reader_reads(tmp_path: pytest.TempPathFactory) -> None:
    path = f"{tmp_path}/other.log"
    with can.CanutilsLogWriter(path, channel="can3") as writer:
        writer.on_message_received(can.Message(0.25, 0x181, is_extended_id=False, data=b"\x37\x16"))
        writer.on_message_received(can.Message(0.5, 0x601, is_extended_id=False, data=bytes(8), is_rx=False))
    with open(path) as file:
        lines = list(read_trace(file))
    assert [(line.frame, line.sent, line.channel) for line in lines] == [
        (Frame(0x181, b"\x37\x16", t_ns=250_000_000), False, "can3"),
        (Frame(0x601, bytes(8), t_ns=500_000_000), True, "can3"),
    ]


@pytest.mark.parametrize(
    "cut", ["(0.000020) can0 14B#1", "(0.000020) can0 14B#12", "(0.0000", "(0.000020) can0 14B#12 "]
)
def test_a_last_line_that_was_cut_off_is_left(cut: str) -> None:
    lines = list(read_trace(io.StringIO("(0.000010) can0 14B#12 T\n" + cut)))
    assert [line.t_ns for line in lines] == [10_000]


@pytest.mark.parametrize(
    "bad",
    [
        "hello",
        "(0.000020) can0 14B#1 T",
        "(0.1) can0 8FF#12 T",
        "(0.1) can0 14B#112233445566778899 T",
        "0.1 can0 14B#12",
    ],
)
def test_a_line_that_is_none_is_refused_with_its_number(bad: str) -> None:
    with pytest.raises(RecipeError) as refusal:
        list(read_trace(io.StringIO("(0.000010) can0 14B#12 T\n" + bad + "\n"), "trace.log"))
    assert str(refusal.value) == f"trace.log:2: {bad!r} is no line of a bus trace"


class FullDisk(io.StringIO):
    """Takes so many lines and no more."""

    def __init__(self, room: int) -> None:
        super().__init__()
        self.room = room

    def write(self, text: str) -> int:
        if not self.room:
            raise OSError(errno.ENOSPC, "No space left on device")
        self.room -= 1
        return super().write(text)


def test_a_full_disk_ends_the_trace_and_nothing_else() -> None:
    # The session has a machine to bring to rest: every reading must get through to it.
    bench = Bench()
    bench.link = TraceLink(bench.inner, FullDisk(1))
    for t_ns in (1_000, 2_000, 3_000):
        bench.comes(t_ns, Frame(0x12B, b"\x92", t_ns=t_ns))
    (told,) = bench.inner.posted
    assert told == BusTrouble("the trace cannot be written any more: No space left on device", 2_000)
    bench.comes(4_000, told)
    bench.link.close()
    assert bench.inner.closed


def test_what_a_full_disk_does_not_take_at_the_end_of_a_trace_is_no_error() -> None:
    with trace_file(Path("/dev/full")) as out:
        out.write("held in memory until the end")
    assert out.closed
