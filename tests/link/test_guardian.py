"""
The guardian, on real processes: killed, halted, ended in good order; and the ways in which it cannot help.

Every wait ends with an event: a frame on the simulated bus, a line, the end of a process.
"""

import contextlib
import json
import os
import select
import signal
import socket
import struct
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from choreo.errors import InternalError, LinkLost
from choreo.frame import Frame
from choreo.link import guardian as module
from choreo.link import guardian_process
from choreo.link.guardian import AGAIN, Guardian, guarded_by
from choreo.link.guardian_process import BEAT, FAREWELL
from choreo.link.past import KernelFrame, SerialLine, WayPast
from choreo.link.port import Event, Interrupt
from link.guarded import POLL, STOPS
from link.waiting import LONG_S
from live.bench import RawHost, SerialBench

TESTS = Path(__file__).parents[1]
TIMES = 1 + AGAIN


class Link:
    """As much of a link as a guardian needs."""

    def __init__(self, past: WayPast | str) -> None:
        self.past = past
        self.posted: list[Event] = []

    def way_past(self) -> WayPast | str:
        return self.past

    def post(self, event: Event) -> None:
        self.posted.append(event)


@contextmanager
def program(bench: SerialBench, note: Path) -> Iterator["subprocess.Popen[str]"]:
    """A guarded program on the bench's adapter, that polls already."""
    started = subprocess.Popen(
        [sys.executable, "-m", "link.guarded", f"slcan:{bench.adapter.port}", str(note)],
        env={**os.environ, "PYTHONPATH": os.pathsep.join([str(TESTS), *sys.path])},
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    overdue = threading.Timer(2 * LONG_S, started.kill)
    overdue.start()
    try:
        assert started.stdout is not None
        assert started.stdout.readline() == "guarded\n"
        bench.hears(5)
        yield started
    finally:
        overdue.cancel()
        started.kill()
        started.communicate()


def stops_heard(bench: SerialBench) -> list[Frame]:
    return [frame for _, frame in list(bench.heard) if not frame.same_bits(POLL)]


def wait_for_stops(bench: SerialBench, count: int = TIMES * len(STOPS)) -> list[Frame]:
    """Wait until so many frames that are no polls have come."""
    while len(stops_heard(bench)) < count:
        bench.hears(1)
    return stops_heard(bench)


def bits(frames: list[Frame]) -> list[tuple[object, ...]]:
    return [frame[:4] for frame in frames]


def test_a_killed_session_is_stopped_by_its_guardian(tmp_path: Path) -> None:
    bench, note = SerialBench(), tmp_path / "guardian.json"
    with bench.running():
        with program(bench, note) as killed:
            killed.kill()
            assert bits(wait_for_stops(bench)) == bits(list(STOPS) * TIMES)
            _, said = killed.communicate(timeout=LONG_S)  # the guardian has the same stderr: this waits for its end
            assert "choreo's guardian: choreo ended without having said that it is done" in said
            assert said.count("guardian") == 1
        told = json.loads(note.read_text())
        assert len(told["sent_after_s"]) == TIMES
        assert told["sent_after_s"] == sorted(told["sent_after_s"])
        assert told["outcome"] == f"the machine was told to stop, {TIMES} times"
        assert told["trouble"] == ""
        # Nothing of the killed program's follows the first stop.
        heard = [frame for _, frame in bench.heard]
        first = next(place for place, frame in enumerate(heard) if not frame.same_bits(POLL))
        assert not any(frame.same_bits(POLL) for frame in heard[first:])
        bench.adapter.close()


@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM", "SIGHUP"])
def test_the_terminals_signals_do_not_reach_the_guardian(tmp_path: Path, name: str) -> None:
    # The program has no handler for them: it dies as of any of these, and the guardian is there all the same.
    bench = SerialBench()
    with bench.running():
        with program(bench, tmp_path / "note") as ended:
            ended.send_signal(getattr(signal, name))
            assert bits(wait_for_stops(bench)) == bits(list(STOPS) * TIMES)
        bench.adapter.close()


def test_after_the_farewell_nothing_is_sent(tmp_path: Path) -> None:
    bench, note = SerialBench(), tmp_path / "note"
    with bench.running():
        with program(bench, note) as ended:
            _, said = ended.communicate("bye\n", timeout=LONG_S)  # waits for the guardian's end as well
            assert ended.returncode == 0
            assert said == ""
        bench.realtime.call(lambda: None)  # what was written has been read
        assert stops_heard(bench) == []
        assert not note.exists()
        bench.adapter.close()


def test_an_exception_that_comes_out_of_the_session_is_no_farewell(tmp_path: Path) -> None:
    bench, note = SerialBench(), tmp_path / "note"
    with bench.running():
        with program(bench, note) as broken:
            _, said = broken.communicate("bug\n", timeout=LONG_S)
            assert "RuntimeError: bug" in said
            assert bits(wait_for_stops(bench)) == bits(list(STOPS) * TIMES)
        assert note.exists()
        bench.adapter.close()


def test_a_halted_session_is_stopped_after_the_silence_and_learns_of_it(tmp_path: Path) -> None:
    bench, note = SerialBench(), tmp_path / "note"
    with bench.running():
        with program(bench, note) as halted:
            halted.send_signal(signal.SIGSTOP)
            assert bits(wait_for_stops(bench)) == bits(list(STOPS) * TIMES)
            halted.send_signal(signal.SIGCONT)
            assert halted.stdout is not None
            said = [halted.stdout.readline(), halted.stdout.readline()]
            assert said[0].startswith("trouble: the guardian has stopped the machine")
            assert said[1].startswith("interrupt: the guardian has stopped the machine")
            halted.communicate("bye\n", timeout=LONG_S)
            assert halted.returncode == 0
        assert json.loads(note.read_text())["why"] == "nothing was heard of choreo for 2 s"
        assert len(stops_heard(bench)) == TIMES * len(STOPS)
        bench.adapter.close()


@contextmanager
def guarded_here(port: str, note: Path) -> Iterator[tuple[RawHost, Guardian, Link]]:
    """A guardian of this process, on a port that the test writes to by itself."""
    host = RawHost(port)
    link = Link((host._descriptor, SerialLine()))
    with guarded_by(link, STOPS, note) as guardian:
        assert guardian.trouble == ""
        guardian.beat()
        yield host, guardian, link
    host.close()


@pytest.mark.parametrize("broken_off", [b"t14B", b"t14B81122334455", b"T0000", b"r"])
def test_a_line_that_was_broken_off_does_not_spoil_the_first_stop(tmp_path: Path, broken_off: bytes) -> None:
    bench = SerialBench()
    with bench.running():
        with guarded_here(bench.adapter.port, tmp_path / "note") as (host, guardian, _):
            host.ask(b"S6\rO\r", b"\r\r")
            host.write(broken_off)
            guardian.alarm()
            assert bits(wait_for_stops(bench)) == bits(list(STOPS) * TIMES)
        bench.adapter.close()


def test_where_the_adapter_is_gone_as_well_the_note_says_so(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    bench, note = SerialBench(), tmp_path / "note"
    with bench.running(), guarded_here(bench.adapter.port, note) as (_, guardian, _):
        bench.adapter.close()
        guardian.alarm()
    told = json.loads(note.read_text())
    assert told["sent_after_s"] == []
    assert told["trouble"].startswith("EIO")
    assert "could NOT be told to stop" in told["outcome"]
    assert "emergency stop" in capfd.readouterr().err


def test_an_adapter_that_reads_nothing_does_not_hold_the_guardian_for_ever(tmp_path: Path) -> None:
    bench, note = SerialBench(), tmp_path / "note"
    with bench.running():
        with guarded_here(bench.adapter.port, note) as (host, guardian, _):
            bench.adapter.stop_answering()
            os.set_blocking(host._descriptor, False)
            with contextlib.suppress(BlockingIOError):
                while True:
                    host.write(b"t14B112\r" * 512)
            guardian.alarm()  # returns when the guardian has ended
        assert note.exists()
        bench.adapter.close()


def test_a_note_that_cannot_be_written_is_said(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    bench = SerialBench()
    with bench.running():
        with guarded_here(bench.adapter.port, tmp_path / "no such folder" / "note") as (host, guardian, _):
            host.ask(b"S6\rO\r", b"\r\r")
            guardian.alarm()
            wait_for_stops(bench)
        bench.adapter.close()
    assert "no note could be left" in capfd.readouterr().err


def test_a_socket_of_the_kernels_gets_one_frame_at_a_time(tmp_path: Path) -> None:
    # struct can_frame, linux/can.h: identifier and flags, length, padding, data. Played by a pair of local sockets.
    ours, bus = socket.socketpair(socket.AF_UNIX, socket.SOCK_DGRAM)
    frames = [Frame(0x020, b"\x61"), Frame(0x180B4D01, b"\x01\x02", extended=True), Frame(0x123, remote=True)]
    with ours, bus:
        bus.settimeout(LONG_S)
        with guarded_by(Link((ours.fileno(), KernelFrame())), frames, tmp_path / "note") as guardian:
            assert guardian.trouble == ""
            guardian.beat()
            guardian.alarm()
        came = [bus.recv(64) for _ in range(TIMES * len(frames))]
    assert came[:3] == [
        struct.pack("=IB3x", 0x020, 1) + b"\x61" + bytes(7),
        struct.pack("=IB3x", 0x980B4D01, 2) + b"\x01\x02" + bytes(6),
        struct.pack("=IB3x", 0x40000123, 0) + bytes(8),
    ]
    assert came == came[:3] * TIMES


def test_silence_counts_from_the_first_beat_on(monkeypatch: pytest.MonkeyPatch) -> None:
    # Before it somebody may be reading the cautions.
    alive, pipe = os.pipe()
    waited: list[float | None] = []
    select_ = select.select

    def select_noted(*arguments: object) -> object:
        waited.append(arguments[3])  # type: ignore[arg-type]
        if len(waited) == 2:
            os.write(pipe, FAREWELL)
        return select_(*arguments[:3], LONG_S)  # type: ignore[arg-type]

    monkeypatch.setattr(guardian_process.select, "select", select_noted)
    os.write(pipe, BEAT)
    assert guardian_process.watch(alive, 2.0) == ""
    assert waited == [None, 2.0]
    os.close(alive)
    os.close(pipe)


def test_the_farewell_may_be_said_early_and_twice(tmp_path: Path) -> None:
    ours, bus = socket.socketpair()
    with ours, bus, guarded_by(Link((ours.fileno(), SerialLine())), STOPS, tmp_path / "note") as guardian:
        guardian.beat()
        guardian.farewell()
        guardian.beat()
        guardian.farewell()
        assert guardian.trouble == ""
        bus.setblocking(False)
        with pytest.raises(BlockingIOError):
            bus.recv(1)


def fail_after_a_beat(ours: socket.socket, note: Path, failure: BaseException) -> None:
    with guarded_by(Link((ours.fileno(), SerialLine())), STOPS, note) as guardian:
        guardian.beat()
        raise failure


def test_what_choreo_raises_on_purpose_is_a_farewell_and_its_own_bug_is_none(tmp_path: Path) -> None:
    for failure, sent in ((LinkLost("gone"), False), (InternalError("a bug"), True)):
        ours, bus = socket.socketpair()
        with ours, bus:
            with pytest.raises(type(failure)):
                fail_after_a_beat(ours, tmp_path / "note", failure)
            assert bool(select.select([bus], [], [], 0)[0]) is sent


@pytest.mark.parametrize("failure", [KeyboardInterrupt(), BrokenPipeError(), InternalError("a bug")])
def test_what_ends_it_before_the_first_beat_wakes_nobody(tmp_path: Path, failure: BaseException) -> None:
    # Nothing was sent: the machine is not ours to stop.
    ours, bus = socket.socketpair()
    with ours, bus:
        with (
            pytest.raises(type(failure)),
            guarded_by(Link((ours.fileno(), SerialLine())), STOPS, tmp_path / "note"),
        ):
            raise failure
        assert not select.select([bus], [], [], 0)[0]
    assert not (tmp_path / "note").exists()


def test_a_session_that_was_halted_learns_of_the_stop_although_the_terminal_takes_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "SILENCE_S", 0.05)
    full, nobody_reads = os.pipe()
    os.set_blocking(nobody_reads, False)
    with contextlib.suppress(BlockingIOError):
        while True:
            os.write(nobody_reads, bytes(4096))
    os.set_blocking(nobody_reads, True)
    stderr = os.dup(2)
    ours, bus = socket.socketpair()
    link = Link((ours.fileno(), SerialLine()))
    with ours, bus:
        try:
            os.dup2(nobody_reads, 2)
            with guarded_by(link, STOPS, tmp_path / "note") as guardian:
                guardian.beat()
                said = b""
                while said.count(b"t0201") < TIMES:
                    said += bus.recv(4096)
                while not guardian.trouble:  # its pipe takes a beat until the moment in which it lets go of it
                    guardian.beat()
        finally:
            os.dup2(stderr, 2)
            for one in (full, nobody_reads, stderr):
                os.close(one)
    assert link.posted == [Interrupt(guardian.trouble, by_operator=False)]
    assert guardian.trouble.startswith("the guardian has stopped the machine")


def test_where_there_is_no_way_past_the_words_are_passed_on(tmp_path: Path) -> None:
    with guarded_by(Link("this bus gives no way"), STOPS, tmp_path / "note") as guardian:
        guardian.beat()
        assert guardian.trouble == "this bus gives no way"


@pytest.mark.parametrize(
    ("break_it", "words"),
    [
        (lambda patch, tmp: patch.setattr(module.sys, "executable", str(tmp / "gone")), "cannot be started"),
        (lambda patch, tmp: patch.setattr(module, "PROGRAM", tmp / "gone.py"), "did not begin"),
    ],
)
def test_a_guardian_that_does_not_begin_is_no_guardian(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, break_it: Callable[[pytest.MonkeyPatch, Path], None], words: str
) -> None:
    ours, bus = socket.socketpair()
    break_it(monkeypatch, tmp_path)
    with ours, bus, guarded_by(Link((ours.fileno(), SerialLine())), STOPS, tmp_path / "note") as guardian:
        assert words in guardian.trouble
        guardian.beat()
        assert words in guardian.trouble


def test_a_guardian_that_was_killed_itself_is_noticed_by_the_next_beat(tmp_path: Path) -> None:
    ours, bus = socket.socketpair()
    link = Link((ours.fileno(), SerialLine()))
    with ours, bus, guarded_by(link, STOPS, tmp_path / "note") as guardian:
        guardian.beat()
        assert guardian._process is not None
        os.kill(guardian._process.pid, signal.SIGKILL)
        os.waitid(os.P_PID, guardian._process.pid, os.WEXITED | os.WNOWAIT)
        assert guardian.beat() == "the guardian has ended"
        assert guardian.trouble == "the guardian has ended"
        assert not any(isinstance(event, Interrupt) for event in link.posted)
        guardian.beat()
