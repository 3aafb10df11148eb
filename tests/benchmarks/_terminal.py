"""
Real processes for the benchmarks of a whole run: `choreo sim`, and `choreo run` on it in a terminal that shows its
screen; what each of their processes costs, from the kernel's own books.
"""

import fcntl
import json
import os
import pty
import struct
import subprocess
import sys
import termios
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

MACHINE = Path(__file__).parents[2] / "recipes" / "kiln_gantry" / "machine.yaml"
#: A run that takes so long to begin does not begin.
PATIENCE_S = 60.0
ROWS, COLUMNS = 40, 120


def standing_recipe(folder: Path, seconds: int) -> Path:
    """
    The gantry stands still for so long, and is read at 50 Hz all the time. Its adapter is said to be slow: on a
    computer that has other things to do a late reply must not end the run.
    """
    recipe = folder / "stands.yaml"
    whole = MACHINE.read_text(encoding="utf-8").replace("bus:\n", "bus:\n  adapter: 150 ms\n", 1)
    steps = f"title: The gantry stands\nsteps:\n  - dwell: {seconds} s\n"
    recipe.write_text(f"{whole}\n{steps}", encoding="utf-8")
    return recipe


@contextmanager
def machine(folder: Path, recipe: Path, *words: str) -> Iterator["subprocess.Popen[str]"]:
    """`choreo sim`, with its port `folder/port`."""
    command = [sys.executable, "-m", "choreo", "sim", str(recipe), "--port", str(folder / "port"), *words]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, cwd=folder) as process:
        try:
            assert process.stdout is not None
            while "it runs now" not in (line := process.stdout.readline()):
                if not line:
                    raise SystemExit("choreo sim did not begin")
            threading.Thread(target=process.stdout.read, daemon=True).start()
            yield process
        finally:
            process.kill()


class Running:
    """`choreo run --armed` in a terminal of its own. `out` is its run folder, `shown` all that it wrote."""

    def __init__(self, folder: Path, recipe: Path) -> None:
        self.out = folder / "out"
        self.shown = bytearray()
        announced = folder / "announced"  # other runs of this machine here are none of this one's business
        announced.mkdir(mode=0o700)
        self._master, other = pty.openpty()
        fcntl.ioctl(other, termios.TIOCSWINSZ, struct.pack("HHHH", ROWS, COLUMNS, 0, 0))
        words = ["run", str(recipe), "--bus", f"slcan:{folder / 'port'}", "--armed", "--out", str(self.out)]
        self.process = subprocess.Popen(
            [sys.executable, "-m", "choreo", *words],
            cwd=folder,
            stdin=other,
            stdout=other,
            stderr=other,
            start_new_session=True,
            env={**os.environ, "TERM": "xterm-256color", "XDG_RUNTIME_DIR": str(announced)},
        )
        os.close(other)
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        with suppress(OSError):  # the other end is closed
            while data := os.read(self._master, 65536):
                self.shown += data

    def until_step(self) -> None:
        """Wait for the first step."""
        until = time.monotonic() + PATIENCE_S
        journal = self.out / "journal.jsonl"
        while not (journal.exists() and b'"k":"step_begin"' in journal.read_bytes().replace(b" ", b"")):
            if self.process.poll() is not None or time.monotonic() > until:
                raise SystemExit(f"the run did not begin: {self.why()}")
            time.sleep(0.05)

    def processes(self) -> dict[str, int]:
        """The run's own process and those that it has started, by what they are."""
        found = {"choreo run": self.process.pid}
        for place in Path("/proc").glob("[0-9]*"):
            with suppress(OSError):
                if int(_stat(int(place.name))[1]) == self.process.pid:
                    words = (place / "cmdline").read_bytes()
                    name = "its guardian" if b"guardian_process" in words else "its screen"
                    found[name] = int(place.name)
        return found

    def why(self) -> str:
        """Its last line but one, which says how it ended."""
        lines = self.shown.decode(errors="replace").strip().splitlines()
        return "\n".join(lines[-2:])

    def kill(self) -> None:
        self.process.kill()
        self.process.wait()
        self._reader.join(PATIENCE_S)
        os.close(self._master)


@contextmanager
def running(folder: Path, recipe: Path) -> Iterator[Running]:
    """A run that is surely over afterwards."""
    one = Running(folder, recipe)
    try:
        yield one
    finally:
        one.kill()


@contextmanager
def busy(count: int) -> Iterator[None]:
    """So many processes that only keep the processors busy."""
    loops = [subprocess.Popen([sys.executable, "-c", "while True: pass"]) for _ in range(count)]
    try:
        yield
    finally:
        for loop in loops:
            loop.kill()
            loop.wait()


def used_s(pid: int) -> float:
    """Processor time of a process and its threads so far, seconds (proc(5): utime and stime)."""
    fields = _stat(pid)
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def _stat(pid: int) -> list[str]:
    """The fields of `/proc/PID/stat` after the name, which may hold anything."""
    return Path(f"/proc/{pid}/stat").read_text(encoding="utf-8", errors="replace").rpartition(")")[2].split()


def events(journal: Path, kind: str) -> list[dict[str, Any]]:
    """The records of one kind; of the kind `p` the samples, as {"t", "axis"}."""
    lines = [json.loads(line) for line in journal.read_text(encoding="utf-8").splitlines()]
    if kind == "p":
        return [{"t": line[1], "axis": line[2]} for line in lines if isinstance(line, list)]
    return [line for line in lines if isinstance(line, dict) and line["k"] == kind]


def traced(trace: Path, wanted: str) -> list[int]:
    """When frames like this passed, nanoseconds: from lines like `(12.000345) can0 14B#12 T`."""
    lines = (line.split() for line in trace.read_text(encoding="ascii").splitlines())
    return [round(float(line[0][1:-1]) * 1e9) for line in lines if f"{line[2]} {line[-1]}".startswith(wanted)]


def spread(values: list[float]) -> str:
    """Median, 99 %, 99.9 % and the worst of times in seconds, in milliseconds."""
    ordered = sorted(values)
    parts = (("median", 0.5), ("99 %", 0.99), ("99.9 %", 0.999))
    text = ", ".join(f"{name} {ordered[int((len(ordered) - 1) * part)] * 1e3:.2f}" for name, part in parts)
    return f"{text}, worst {ordered[-1] * 1e3:.2f} ms"
