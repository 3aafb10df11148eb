"""The process that draws, on a terminal of its own: what it leaves behind, whoever is killed."""

import json
import os
import pty
import re
import select
import signal
import subprocess
import sys
import termios
import time
from pathlib import Path

import pytest

from choreo.cli.screen.paint import ENTER, LEAVE
from choreo.cli.screen.process import FAILED, TOLD

GOLDEN = (Path(__file__).parents[2] / "golden" / "journal_v1.jsonl").read_bytes()
#: The run has got so far when a line with this is about to come.
MOVING = GOLDEN[: GOLDEN.index(b'{"k":"onset"')]
#: For everything together: a machine may be very busy.
PATIENCE_S = 60

#: What `choreo run` does with its screen, told line by line on its standard input.
PARENT = """\
import sys
from pathlib import Path
from choreo.cli.screen.process import ScreenProcess
screen = ScreenProcess(Path(sys.argv[1]), watching=sys.argv[2] == "watch")
screen.start()
print(screen._process.pid, file=sys.stderr, flush=True)
for line in sys.stdin:
    what, _, text = line.rstrip("\\n").partition(" ")
    if what == "typed":
        screen.typed(text)
    else:
        break
print(f"code {screen.close()}", file=sys.stderr, flush=True)
"""


class Terminal:
    """A terminal with a parent and its screen on it; what was drawn so far is `seen`."""

    def __init__(self, folder, role="run", columns=80, lines=24):
        self.master, self.slave = pty.openpty()
        termios.tcsetwinsize(self.slave, (lines, columns))
        self.before = termios.tcgetattr(self.slave)
        self.seen = b""
        self.until_s = time.monotonic() + PATIENCE_S
        self.parent = subprocess.Popen(
            [sys.executable, "-c", PARENT, str(folder), role],
            stdin=subprocess.PIPE,
            stdout=self.slave,
            stderr=subprocess.PIPE,
            env={**os.environ, "TERM": "xterm", "PYTHONIOENCODING": "utf-8", "NO_COLOR": ""},
        )
        self.child = int(self.parent.stderr.readline())

    def say(self, text):
        self.parent.stdin.write(text.encode() + b"\n")
        self.parent.stdin.flush()

    def read_until(self, text):
        """Waits for bytes that come after everything that was waited for before."""
        wanted = text.encode() if isinstance(text, str) else text
        while wanted not in self.seen:
            left = self.until_s - time.monotonic()
            assert left > 0, f"{wanted!r} never came: {self.seen[-2000:]!r}"
            if select.select([self.master], [], [], left)[0]:
                self.seen += os.read(self.master, 1 << 16)
        before, _, self.seen = self.seen.partition(wanted)
        return before

    def ended(self):
        """Waits until the parent has ended; what it said on standard error."""
        said = self.parent.communicate(timeout=PATIENCE_S)[1]
        return said.decode()

    def child_gone(self):
        """Waits until nobody is left that draws: the parent's copy of the slave is closed with it."""
        while time.monotonic() < self.until_s:
            try:
                os.kill(self.child, 0)
            except ProcessLookupError:
                return
            if Path(f"/proc/{self.child}/stat").exists() and _zombie(self.child):
                return
            select.select([self.master], [], [], 0.05)
            if select.select([self.master], [], [], 0)[0]:
                self.seen += os.read(self.master, 1 << 16)
        raise AssertionError("the screen goes on")

    def close(self):
        for process in (self.child, self.parent.pid):
            try:
                os.kill(process, signal.SIGKILL)
            except ProcessLookupError:
                continue
        for stream in (self.parent.stdin, self.parent.stderr):
            try:
                stream.close()
            except OSError:
                continue
        self.parent.wait(PATIENCE_S)
        os.close(self.master)
        if self.slave is not None:
            os.close(self.slave)


def _zombie(pid):
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] == "Z"
    except (FileNotFoundError, ProcessLookupError):
        return True


@pytest.fixture
def terminal(tmp_path):
    made = []

    def make(*args, **options):
        made.append(Terminal(*args, **options))
        return made[-1]

    yield make
    for one in made:
        one.close()


def drawn(raw):
    """What was drawn, without the escapes."""
    return re.sub(rb"\x1b\[[0-9;?]*[a-zA-Z]", b"", raw).decode()


def test_it_waits_for_the_journal_draws_it_and_gives_the_terminal_back(tmp_path, terminal):
    screen = terminal(tmp_path / "run")
    assert screen.read_until(ENTER) == b""
    screen.read_until("for the run to begin")
    (tmp_path / "run").mkdir()
    (tmp_path / "run" / "journal.jsonl").write_bytes(MOVING)
    screen.read_until("near moves")
    screen.say("typed kiln")
    with (tmp_path / "run" / "journal.jsonl").open("ab") as file:
        file.write(b'{"k":"operator","t":5130000000,"what":"asked","text":"Go on?"}\n')
    screen.read_until("typed: kiln_")
    screen.say("close")
    screen.read_until(LEAVE)
    assert screen.ended() == f"code {TOLD}\n"
    assert termios.tcgetattr(screen.slave) == screen.before


def test_the_last_picture_shows_what_came_last(tmp_path, terminal):
    (tmp_path / "journal.jsonl").write_bytes(MOVING)
    screen = terminal(tmp_path)
    screen.read_until("near moves")
    (tmp_path / "journal.jsonl").write_bytes(GOLDEN)
    screen.say("close")
    assert "NOT PROVEN" in drawn(screen.read_until(LEAVE))


@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM", "SIGHUP", "SIGTSTP"])
def test_signals_of_the_group_do_not_end_it(tmp_path, terminal, name):
    (tmp_path / "journal.jsonl").write_bytes(MOVING)
    screen = terminal(tmp_path)
    os.kill(screen.child, getattr(signal, name))  # perhaps before it has begun to ignore it
    screen.read_until("near moves")
    os.kill(screen.child, getattr(signal, name))
    with (tmp_path / "journal.jsonl").open("ab") as file:
        file.write(
            b'{"k":"stopping","t":5130000000,"cause":"Ctrl-C","rule":"operator","exit":130,"step":2,"axis":null}\n'
        )
    screen.read_until("why  Ctrl-C")
    screen.say("close")
    screen.read_until(LEAVE)
    assert screen.ended() == f"code {TOLD}\n"


def test_a_killed_parent_leaves_a_terminal_in_order(tmp_path, terminal):
    (tmp_path / "journal.jsonl").write_bytes(MOVING)
    screen = terminal(tmp_path)
    raw = termios.tcgetattr(screen.slave)
    raw[3] &= ~(termios.ICANON | termios.ECHO)  # as `choreo run` reads its keys
    termios.tcsetattr(screen.slave, termios.TCSANOW, raw)
    screen.read_until("near moves")
    for place in range(3):  # it has looked at the terminal's modes by the time it has drawn again
        with (tmp_path / "journal.jsonl").open("ab") as file:
            file.write(b'{"k":"finding","t":5130000000,"rule":"x","level":"note","headline":"note %d"}\n' % place)
        screen.read_until(f"note {place}")
    screen.parent.kill()
    screen.read_until(LEAVE)
    screen.child_gone()
    assert termios.tcgetattr(screen.slave)[3] == screen.before[3]


def test_modes_that_a_shell_has_set_since_are_left_alone(tmp_path, terminal):
    (tmp_path / "journal.jsonl").write_bytes(MOVING)
    screen = terminal(tmp_path)
    screen.read_until("near moves")
    os.kill(screen.child, signal.SIGSTOP)
    screen.parent.kill()
    screen.parent.wait(PATIENCE_S)
    shell = termios.tcgetattr(screen.slave)
    shell[0] &= ~termios.ICRNL
    shell[3] &= ~(termios.ICANON | termios.ECHO)
    termios.tcsetattr(screen.slave, termios.TCSANOW, shell)
    os.kill(screen.child, signal.SIGCONT)
    screen.read_until(LEAVE)
    screen.child_gone()
    assert termios.tcgetattr(screen.slave)[3] == shell[3]


def test_it_ends_when_the_terminal_is_gone(tmp_path, terminal):
    (tmp_path / "journal.jsonl").write_bytes(MOVING)
    screen = terminal(tmp_path)
    screen.read_until("near moves")
    os.close(screen.slave)
    screen.slave = None
    held, screen.master = screen.master, os.open(os.devnull, os.O_RDWR)
    os.close(held)  # the terminal is closed: every write fails from now on
    (tmp_path / "journal.jsonl").write_bytes(GOLDEN)
    screen.child_gone()
    screen.say("close")
    assert screen.ended().startswith("code ")


def test_a_killed_screen_is_given_up_and_the_terminal_given_back(tmp_path, terminal):
    (tmp_path / "journal.jsonl").write_bytes(MOVING)
    screen = terminal(tmp_path)
    screen.read_until("near moves")
    os.kill(screen.child, signal.SIGKILL)
    screen.say("typed nobody hears this")
    screen.say("close")
    screen.read_until(LEAVE)
    assert screen.ended() == f"code {-signal.SIGKILL}\n"


def test_a_terminal_that_takes_nothing_holds_nobody_up(tmp_path, terminal):
    (tmp_path / "journal.jsonl").write_bytes(MOVING)
    screen = terminal(tmp_path)
    screen.read_until("near moves")
    os.kill(screen.child, signal.SIGSTOP)
    for _ in range(5000):
        screen.say("typed " + "x" * 200)  # far more than its pipe holds
    screen.say("close")
    assert screen.ended() == f"code {-signal.SIGKILL}\n"


def test_the_size_is_that_of_the_terminal_at_every_moment(tmp_path, terminal):
    (tmp_path / "journal.jsonl").write_bytes(MOVING)
    screen = terminal(tmp_path)
    screen.read_until("near moves")
    termios.tcsetwinsize(screen.slave, (10, 40))
    screen.read_until("\x1b[2J")
    screen.read_until("MOVING: near moves")  # no room for big letters
    assert b"\x1b[10;1H" in screen.read_until("\x1b[?2026l")


def test_another_run_in_the_folder_takes_the_screen_over(tmp_path, terminal):
    path = tmp_path / "journal.jsonl"
    path.write_bytes(MOVING)
    screen = terminal(tmp_path)
    screen.read_until("near moves")
    path.unlink()
    screen.read_until("for the run to begin")
    head = json.loads(MOVING.split(b"\n")[0])
    path.write_text(json.dumps(head | {"title": "The second"}) + "\n")
    screen.read_until("The second")


def test_what_is_no_journal_is_said_once_in_words(tmp_path, terminal):
    (tmp_path / "journal.jsonl").write_text("hello\n")
    screen = terminal(tmp_path)
    screen.read_until(LEAVE)
    screen.say("close")
    said = screen.ended()
    assert said.endswith(f"code {FAILED}\n")
    assert said.count("the line is not JSON") == 1
    assert "Traceback" not in said


def test_it_holds_nothing_of_its_parents_but_the_terminal(tmp_path, terminal):
    if not Path("/proc/self/fd").exists():
        pytest.skip("no /proc")
    (tmp_path / "journal.jsonl").write_bytes(MOVING)
    screen = terminal(tmp_path)
    screen.read_until("near moves")
    held = {os.readlink(entry) for entry in Path(f"/proc/{screen.child}/fd").iterdir()}
    names = {name.split(":")[0] if ":" in name else name for name in held}
    assert names <= {"pipe", os.ttyname(screen.slave), str(tmp_path / "journal.jsonl"), "/dev/null"}


@pytest.mark.parametrize("killed", [False, True])
def test_on_a_pipe_it_prints_lines_to_the_end(tmp_path, killed):
    (tmp_path / "journal.jsonl").write_bytes(MOVING)
    with subprocess.Popen(
        [sys.executable, "-c", PARENT, str(tmp_path), "run"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    ) as parent:
        assert parent.stdout.readline().startswith(b"dry-run of Move the test shelf")
        (tmp_path / "journal.jsonl").write_bytes(GOLDEN)
        if killed:
            parent.kill()
        said = parent.communicate(None if killed else b"close\n", timeout=PATIENCE_S)[0].decode()
    assert said.splitlines()[-1] == "far: NOT PROVEN at rest"
    assert "\x1b" not in said
