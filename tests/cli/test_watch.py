"""`choreo watch`: on a pipe, on a terminal, left, ended, and for what is no run."""

import io
import os
import pty
import re
import select
import signal
import subprocess
import sys
import termios
import time
from contextlib import suppress
from pathlib import Path

import pytest

from choreo.cli import main
from choreo.cli.lines import follow
from choreo.cli.screen.leaving import Onlooker
from choreo.cli.screen.paint import LEAVE

GOLDEN = (Path(__file__).parents[1] / "golden" / "journal_v1.jsonl").read_bytes()
MOVING = GOLDEN[: GOLDEN.index(b'{"k":"onset"')]
PATIENCE_S = 60


def test_a_run_that_has_ended_is_shown_and_the_exit_code_is_0(tmp_path, capsys):
    (tmp_path / "journal.jsonl").write_bytes(GOLDEN)
    for named in (tmp_path, tmp_path / "journal.jsonl"):
        assert main(["watch", str(named)]) == 0
        rows = capsys.readouterr().out.splitlines()
        assert rows[0].startswith("dry-run of Move the test shelf on test shelf")
        assert any(row.startswith("step 2  home: find zero  done in 4.010 s") for row in rows)
        assert any(row.startswith("stopped: far has left 3 requests") for row in rows)
        assert rows[-1] == f"run folder: {tmp_path}"


@pytest.mark.parametrize(
    ("name", "says"),
    [
        ("a_file.txt", "not the 'run' record|not JSON"),
        ("gone.jsonl", "there is no journal"),
        ("no/such/run", "there is no folder"),
        ("other", "no journal of a run"),
        ("a_file.txt/run", "is no run folder|there is no folder|cannot be read"),
    ],
)
def test_what_is_no_run_is_one_clear_error(tmp_path, capsys, monkeypatch, name, says):
    monkeypatch.chdir(tmp_path)
    Path("a_file.txt").write_text("hello\n")
    Path("other").mkdir()
    Path("other/notes").write_text("")
    assert main(["watch", name]) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert re.search(says, said.err), said.err
    assert said.err.count("choreo: ") == 1
    assert "Traceback" not in said.err


@pytest.mark.parametrize("there", [None, "", "rehearsal/summary.json", "trace.log"])
def test_a_run_that_has_not_begun_is_waited_for(tmp_path, capsys, monkeypatch, there):
    run = tmp_path / "run"
    if there is not None:
        (run / there).parent.mkdir(parents=True, exist_ok=True)
        run.mkdir(exist_ok=True)
        if there:
            (run / there).write_text("")
    monkeypatch.setattr(Onlooker, "leaves", lambda self, seconds: True)
    assert main(["watch", str(run)]) == 0
    assert capsys.readouterr().out.splitlines() == [
        f"waiting for {run / 'journal.jsonl'}",
        f"no longer watching; no run has begun. Its folder: {run}",
    ]


class Growing:
    """Asked whether to leave, it lets the journal grow by a piece instead, as another process would."""

    def __init__(self, path, *pieces):
        self.path = path
        self.pieces = list(pieces)

    def __call__(self):
        if not self.pieces:
            return True
        piece = self.pieces.pop(0)
        if callable(piece):
            piece()
        elif piece:
            with self.path.open("ab") as file:
                file.write(piece)
        return False


def test_lines_come_as_the_journal_grows(tmp_path):
    path, out = tmp_path / "journal.jsonl", io.StringIO()
    half = len(GOLDEN) // 2
    assert follow(path, out, Growing(path, b"", GOLDEN[:half], GOLDEN[half:]), 100)
    rows = out.getvalue().splitlines()
    assert rows[0] == f"waiting for {path}"
    assert rows[1].startswith("dry-run of Move the test shelf")
    assert rows[-1] == "far: NOT PROVEN at rest"


def test_a_writer_that_is_gone_is_said_once_and_waited_for(tmp_path):
    path, out = tmp_path / "journal.jsonl", io.StringIO()
    path.write_bytes(MOVING)
    assert not follow(path, out, Growing(path, *[b""] * 9), 3)
    assert len(re.findall(r"nothing was written since \d\d:\d\d:\d\d", out.getvalue())) == 1
    assert follow(path, out, Growing(path, b"", b"", b"", b"", GOLDEN[len(MOVING) :]), 3)


def test_another_run_in_the_folder_is_followed_from_its_beginning(tmp_path):
    path, out = tmp_path / "journal.jsonl", io.StringIO()
    path.write_bytes(MOVING)
    assert follow(path, out, Growing(path, path.unlink, GOLDEN), 100)
    rows = out.getvalue().splitlines()
    assert sum(row.startswith("dry-run of Move") for row in rows) == 2
    assert "the folder was taken over by another run" in rows


class Closed(io.StringIO):
    def write(self, text):
        raise BrokenPipeError


def test_when_nobody_reads_any_more_it_ends(tmp_path):
    path = tmp_path / "journal.jsonl"
    path.write_bytes(MOVING)
    growing = Growing(path, *[b""] * 9)
    assert not follow(path, Closed(), growing, 3)
    assert len(growing.pieces) == 9


# ---- leaving ----------------------------------------------------------------------------------------------------


@pytest.fixture
def keys():
    """Both ends of a terminal; the second as a stream."""
    master, slave = pty.openpty()
    with open(slave, closefd=False) as stream:
        yield master, stream
    os.close(slave)
    os.close(master)


@pytest.mark.parametrize(
    ("typed", "leaves"), [(b"q\n", True), (b"Quit\n", True), (b"\x04", True), (b"\n", False), (b"what\n", False)]
)
def test_q_and_enter_leave_and_nothing_typed_is_shown(keys, typed, leaves):
    master, stream = keys
    before = termios.tcgetattr(stream.fileno())
    with Onlooker(stream) as onlooker:
        assert not termios.tcgetattr(stream.fileno())[3] & termios.ECHO
        assert not onlooker.leaves(0)
        os.write(master, typed)
        assert onlooker.leaves(PATIENCE_S if leaves else 0) is leaves
    assert termios.tcgetattr(stream.fileno()) == before


@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM", "SIGHUP"])
def test_signals_leave_at_once_and_are_as_before_afterwards(name):
    number = getattr(signal, name)
    before = signal.getsignal(number)
    with Onlooker(None) as onlooker:
        os.kill(os.getpid(), number)
        assert onlooker.leaves(PATIENCE_S)
    assert signal.getsignal(number) is before


# ---- on a terminal ----------------------------------------------------------------------------------------------


class Watching:
    """`choreo watch` on a terminal of its own."""

    def __init__(self, path):
        self.master, self.slave = pty.openpty()
        termios.tcsetwinsize(self.slave, (24, 90))
        self.before = termios.tcgetattr(self.slave)
        self.seen = b""
        self.until_s = time.monotonic() + PATIENCE_S
        self.process = subprocess.Popen(
            [sys.executable, "-m", "choreo", "watch", str(path)],
            stdin=self.slave,
            stdout=self.slave,
            stderr=self.slave,
            start_new_session=True,
            env={**os.environ, "TERM": "xterm", "PYTHONIOENCODING": "utf-8"},
        )

    def read_until(self, text):
        wanted = text.encode()
        while wanted not in self.seen:
            left = self.until_s - time.monotonic()
            assert left > 0, f"{wanted!r} never came: {self.seen[-2000:]!r}"
            if select.select([self.master], [], [], left)[0]:
                self.seen += os.read(self.master, 1 << 16)
        before, _, self.seen = self.seen.partition(wanted)
        return before.decode()

    def close(self):
        with suppress(ProcessLookupError):
            os.killpg(self.process.pid, signal.SIGKILL)
        self.process.wait(PATIENCE_S)
        os.close(self.master)
        os.close(self.slave)


@pytest.fixture
def watching():
    made = []

    def watch(path):
        made.append(Watching(path))
        return made[-1]

    yield watch
    for one in made:
        one.close()


@pytest.mark.parametrize("how", ["q", "signal"])
def test_it_is_left_with_the_run_going_on(tmp_path, watching, how):
    (tmp_path / "journal.jsonl").write_bytes(MOVING)
    watch = watching(tmp_path)
    watch.read_until("near moves")
    if how == "q":
        os.write(watch.master, b"q\n")
    else:
        os.killpg(watch.process.pid, signal.SIGINT)  # as Ctrl-C does: to the screen as well
    watch.read_until(LEAVE)
    watch.read_until("no longer watching; the run goes on")
    assert watch.process.wait(PATIENCE_S) == 0
    assert termios.tcgetattr(watch.slave) == watch.before


def test_at_the_end_of_the_run_it_shows_the_report(tmp_path, watching):
    path = tmp_path / "journal.jsonl"
    watch = watching(path)
    watch.read_until("for the run to begin")
    path.write_bytes(MOVING)
    watch.read_until("near moves")
    path.write_bytes(GOLDEN)
    watch.read_until(LEAVE)
    report = watch.read_until("run folder: ")
    assert "Steps: times in s" in report
    assert "stopped: far has left 3 requests" in report
    assert watch.process.wait(PATIENCE_S) == 0


def test_killed_it_leaves_the_terminal_in_order(tmp_path, watching):
    (tmp_path / "journal.jsonl").write_bytes(MOVING)
    watch = watching(tmp_path)
    watch.read_until("near moves")
    for _ in range(3):  # the screen has seen the terminal's modes by the time it has drawn again
        with (tmp_path / "journal.jsonl").open("ab") as file:
            file.write(b'{"k":"finding","t":5130000000,"rule":"x","level":"note","headline":"drawn again"}\n')
        watch.read_until("drawn again")
        watch.read_until("\x1b[?2026l")
    watch.process.kill()
    watch.read_until(LEAVE)
    while termios.tcgetattr(watch.slave)[3] != watch.before[3]:
        assert time.monotonic() < watch.until_s
        select.select([], [], [], 0.02)


def test_what_is_no_journal_is_one_clear_error_on_a_terminal_too(tmp_path, watching):
    (tmp_path / "journal.jsonl").write_text("hello\n")
    watch = watching(tmp_path)
    watch.read_until(LEAVE)
    said = watch.read_until("Is this the journal of a run?")
    assert said.count("choreo: ") == 1
    assert watch.process.wait(PATIENCE_S) == 2
