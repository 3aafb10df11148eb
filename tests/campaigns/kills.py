"""
`kill -9` at random moments of runs in real time: how long it takes until the guardian's stop is on the wire.

A second adapter of the same simulated bus listens. What counts is the time from the kill to the last frame of the
guardian's first round: the aim is 100 ms, every time. In each run every node must be told, and nothing that moves an
axis may follow the last stop.
"""

import json
import os
import random
import shutil
import signal
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import can

from choreo.api import check, dry_run
from choreo.frame import Frame
from choreo.journal import slug
from choreo.live.stops import stop_frames
from tests.terminals.terminals import SLIDES, machine, run, second_host

RUNS = 20
SEED = 2026
#: After the run's first step began, and as long as the slides surely move.
FIRST_S, LAST_S = 0.0, 8.0
#: The guardian repeats its stop five times within a quarter of a second.
AFTERWARDS_S = 0.6
AIM_S = 0.1
START, POWER, RELEASE = Frame(0x040, b"\x51"), b"\x31\x01", b"\x32\x00"


@dataclass(frozen=True, slots=True)
class Killed:
    """One run. `told_s` from the kill to the last stop of the first round, None if a node was never told."""

    moment_s: float
    told_s: float | None
    rounds: int
    wrong: tuple[str, ...]


class Listener:
    """What the second adapter hears, stamped at once."""

    def __init__(self, bus: can.BusABC) -> None:
        self.heard: list[tuple[float, Frame]] = []
        self._bus = bus
        self._ends = threading.Event()
        self._thread = threading.Thread(target=self._listen, daemon=True)
        self._thread.start()

    def _listen(self) -> None:
        while not self._ends.is_set():
            message = self._bus.recv(0.02)
            if message is not None:
                self.heard.append((time.perf_counter(), Frame(message.arbitration_id, bytes(message.data))))

    def end(self) -> None:
        self._ends.set()
        self._thread.join()


@contextmanager
def listening(folder: Path) -> Iterator[Listener]:
    """The second adapter, while inside."""
    with second_host(folder) as bus:
        listener = Listener(bus)
        try:
            yield listener
        finally:
            listener.end()


def kill_once(folder: Path, moment_s: float, stops: list[Frame]) -> Killed:
    """One run of the slides that is killed so long after its first step began."""
    with machine(folder, adapters=2), listening(folder) as listener, run(folder) as (running, journal):
        journal.until(lambda journal: bool(journal.of("step_begin")))
        time.sleep(moment_s)
        killed = time.perf_counter()
        os.kill(running.process.pid, signal.SIGKILL)
        running.process.wait()
        time.sleep(AFTERWARDS_S)
        heard = list(listener.heard)
    return judged(moment_s, heard, killed, stops, folder / "out" / "guardian.json")


def judged(moment_s: float, heard: list[tuple[float, Frame]], killed: float, stops: list[Frame], note: Path) -> Killed:
    """What became of it, by what was heard after the kill."""
    after = [(t, frame) for t, frame in heard if t >= killed]
    firsts = [next((t for t, frame in after if frame.same_bits(stop)), None) for stop in stops]
    rounds = min(sum(frame.same_bits(stop) for _, frame in after) for stop in stops)
    wrong = [f"{stop.text()} was never heard" for stop, t in zip(stops, firsts, strict=True) if t is None]
    told = [t for t in firsts if t is not None]
    if told:
        last = max(place for place, (_, frame) in enumerate(after) if any(frame.same_bits(stop) for stop in stops))
        wrong += [f"{frame.text()} after the last stop" for _, frame in after[last + 1 :] if moves_something(frame)]
    try:
        told_to_stop = "was told to stop" in json.loads(note.read_text(encoding="utf-8"))["outcome"]
    except (OSError, ValueError, KeyError):
        told_to_stop = False
    if not told_to_stop:
        wrong.append("the guardian left no note that it told the machine to stop")
    return Killed(moment_s, max(told) - killed if len(told) == len(stops) else None, rounds, tuple(wrong))


def moves_something(frame: Frame) -> bool:
    """Whether it starts, loads, resets a fault, gives power or releases a brake: from the dialect's file, by eye."""
    if not 0x140 < frame.id < 0x160:
        return frame.same_bits(START)
    return frame.data[:1] in (b"\x33", b"\x41", b"\x42") or frame.data in (POWER, RELEASE)


@contextmanager
def announced_in(folder: Path) -> Iterator[None]:
    """While inside, other runs of this machine here are none of this one's business."""
    before = os.environ.get("XDG_RUNTIME_DIR")
    (folder / "announced").mkdir(mode=0o700)
    os.environ["XDG_RUNTIME_DIR"] = str(folder / "announced")
    try:
        yield
    finally:
        if before is None:
            del os.environ["XDG_RUNTIME_DIR"]
        else:
            os.environ["XDG_RUNTIME_DIR"] = before


def kills(runs: int, seed: int = SEED) -> Iterator[Killed]:
    """So many runs, each on a machine of its own."""
    plan = check(SLIDES).plan
    assert plan is not None
    stops, draw = stop_frames(plan), random.Random(seed)
    with tempfile.TemporaryDirectory() as name, announced_in(Path(name)):
        rehearsal = Path(name) / "rehearsal"
        dry_run(SLIDES, out=rehearsal)
        for number in range(runs):
            folder = Path(name) / str(number)
            shutil.copytree(rehearsal, folder / "runs" / slug(plan.title))
            yield kill_once(folder, draw.uniform(FIRST_S, LAST_S), stops)


def main(jobs: int, each: int | None, nice: int, out: Path | None) -> int:
    """A line for each run, then the distribution; 1 if a node was not told, or was moved after it was told."""
    found = []
    for killed in kills(each or RUNS):
        found.append(killed)
        told = "NOT ALL TOLD" if killed.told_s is None else f"all told after {killed.told_s * 1e3:.1f} ms"
        print(f"killed {killed.moment_s:.3f} s after it began: {told}, {killed.rounds} times", flush=True)
        for wrong in killed.wrong:
            print(f"    WRONG: {wrong}", flush=True)
    times = sorted(killed.told_s for killed in found if killed.told_s is not None)
    wrong = sum(bool(killed.wrong) for killed in found)
    if times:
        middle, worst = times[len(times) // 2] * 1e3, times[-1] * 1e3
        late = sum(time > AIM_S for time in times)
        print(
            f"\n{len(found)} runs killed, in {len(times)} every node was told: median {middle:.1f} ms after the kill, "
            f"worst {worst:.1f} ms (aim within {AIM_S * 1e3:.0f} ms; {late} later)"
        )
    print(f"{wrong} of them wrong; load average {os.getloadavg()[0]:.1f}")
    return 1 if wrong else 0
