"""What the tests here share: a process in a terminal of its own, a simulated machine, a run on it, a second host."""

import json
import os
import queue
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import can

SLIDES = Path(__file__).parent / "slides.yaml"
BIT_RATE = 500_000
#: A test that waits longer than this has hung.
PATIENCE_S = 60.0
#: How often a file is looked at that another process writes.
LOOK_S = 0.005


class Terminal:
    """`choreo` with these words, in a process group of its own; its lines as they come."""

    def __init__(self, *words: str, cwd: Path, stdin: int = subprocess.DEVNULL) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-m", "choreo", *words],
            cwd=cwd,
            stdin=stdin,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            start_new_session=True,
            env={**os.environ, "PYTHONUNBUFFERED": "1", "COLUMNS": "100"},
        )
        self.lines: list[str] = []
        self._coming: queue.Queue[str | None] = queue.Queue()
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        assert self.process.stdout is not None
        with self.process.stdout as lines:
            for line in lines:
                self._coming.put(line.rstrip("\n"))
        self._coming.put(None)

    def until(self, wanted: str) -> str:
        """Wait for a line that holds `wanted`."""
        while (line := self._coming.get(timeout=PATIENCE_S)) is not None:
            self.lines.append(line)
            if wanted in line:
                return line
        raise AssertionError(f"{wanted!r} was never said:\n" + "\n".join(self.lines))

    def hear(self, seconds: float) -> None:
        """One line more, if one comes in time."""
        with suppress(queue.Empty):
            if (line := self._coming.get(timeout=seconds)) is None:
                self._coming.put(None)
            else:
                self.lines.append(line)

    def send(self, number: int) -> None:
        """A signal to this process alone."""
        self.process.send_signal(number)

    def end(self) -> int:
        """Wait for its end; its exit code. Everything that it said is in `lines`."""
        code = self.process.wait(PATIENCE_S)
        while (line := self._coming.get(timeout=PATIENCE_S)) is not None:
            self.lines.append(line)
        return code

    @property
    def text(self) -> str:
        return "\n".join(self.lines)

    def kill(self) -> None:
        with suppress(ProcessLookupError):
            os.killpg(self.process.pid, signal.SIGKILL)
        self.process.wait(PATIENCE_S)
        self._reader.join(PATIENCE_S)


@contextmanager
def terminal(*words: str, cwd: Path, stdin: int = subprocess.DEVNULL) -> Iterator[Terminal]:
    """A process that is surely gone afterwards."""
    one = Terminal(*words, cwd=cwd, stdin=stdin)
    try:
        yield one
    finally:
        one.kill()


@contextmanager
def machine(cwd: Path, recipe: Path = SLIDES, *, adapters: int = 1, words: tuple[str, ...] = ()) -> Iterator[Terminal]:
    """`choreo sim` with its ports `cwd/port` and `cwd/port-2` and so on."""
    with terminal("sim", str(recipe), "--port", str(cwd / "port"), "--adapters", str(adapters), *words, cwd=cwd) as sim:
        sim.until("it runs now")
        yield sim


class Journal:
    """The journal of a run, read while it grows."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / "journal.jsonl"
        self.records: list[dict[str, Any]] = []
        self.samples = 0
        self._place = 0

    def look(self) -> None:
        """Read on; a last line without its end is left for later."""
        if not self.path.exists():
            return
        with self.path.open("rb") as file:
            file.seek(self._place)
            data = file.read()
        whole = data[: data.rfind(b"\n") + 1]
        self._place += len(whole)
        for line in whole.splitlines():
            found = json.loads(line)
            if isinstance(found, dict):
                self.records.append(found)
            else:
                self.samples += 1

    def until(self, there: Callable[["Journal"], bool]) -> None:
        """Wait until it says so."""
        until = time.monotonic() + PATIENCE_S
        while True:
            self.look()
            if there(self):
                return
            assert time.monotonic() < until, f"it never came; the last: {self.records[-3:]}"
            time.sleep(LOOK_S)

    def of(self, kind: str) -> list[dict[str, Any]]:
        return [record for record in self.records if record["k"] == kind]

    def whole(self) -> None:
        """It has its last record, and every line can be read."""
        self.look()
        assert self.records[0]["k"] == "run"
        assert self.records[-1]["k"] == "end"
        assert self.path.stat().st_size == self._place


def moving(journal: Journal) -> bool:
    """An axis was seen to move."""
    return bool(journal.of("onset"))


@contextmanager
def run(
    cwd: Path, *words: str, recipe: Path = SLIDES, asked: bool = False, stdin: int = subprocess.DEVNULL
) -> Iterator[tuple[Terminal, Journal]]:
    """`choreo run` of the slides on the machine, armed unless somebody is to be `asked`, and its journal."""
    how = () if asked else ("--armed",)
    bus, out = f"slcan:{cwd / 'port'}", str(cwd / "out")
    with terminal("run", str(recipe), "--bus", bus, "--out", out, *how, *words, cwd=cwd, stdin=stdin) as running:
        yield running, Journal(cwd / "out")


def once(cwd: Path) -> Path:
    """The slides going to and fro one time only."""
    recipe = cwd / "once.yaml"
    recipe.write_text(SLIDES.read_text(encoding="utf-8").replace("repeat: 12", "repeat: 1"), encoding="utf-8")
    return recipe


@contextmanager
def second_host(cwd: Path, port: str = "port-2") -> Iterator[can.BusABC]:
    """python-can's own driver on the machine's other adapter."""
    bus = can.Bus(interface="slcan", channel=str(cwd / port), bitrate=BIT_RATE, timeout=0, sleep_after_open=0)
    try:
        yield bus
    finally:
        bus.shutdown()
