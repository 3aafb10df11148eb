"""
The demonstration in real time: `choreo sim` in one terminal, `choreo run --armed` in another, against its rehearsal.

What a step may differ by is what practice.md P31 leaves open (common practice, no source): up to one poll period and
the latch, and what the adapter adds: the 99th percentile of its round trips. That is the first tolerance, and meant for
one motion. A step that moves an axis several times (homing), or asks many things one after the other (a link check),
has as much for each of its motions, and for each of its exchanges what the mean one is longer than rehearsed.
Homing sees its switch a poll earlier or later: what it has gone meanwhile at the search speed it goes at crawl speed.
"""

import os
import shutil
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from statistics import fmean

from choreo.api import check
from choreo.journal import Journal, read_journal
from choreo.plan.model import Home, Plan
from choreo.report import summarise
from choreo.report.against import Difference, differences
from choreo.report.table import Column, table
from tests.run.machine import DEMO
from tests.terminals.terminals import machine, run

from .kills import announced_in

#: A run of 97 s that takes so long has hung.
PATIENCE_S = 300.0
SHOWN = 8
REQUEST, REPLY, START, POLL = 0x140, 0x120, 0x040, "12"
COLUMNS = (
    Column("step"),
    Column("what", right=False),
    Column("rehearsed, s"),
    Column("longer by, ms"),
    Column("tolerance, ms"),
    Column("with its motions and exchanges, ms"),
)


@dataclass(frozen=True, slots=True)
class Passed:
    """The frames of a trace: when, identifier, data in hexadecimal, whether the host sent it."""

    t_ns: int
    id: int
    data: str
    sent: bool


@dataclass(frozen=True, slots=True)
class Judged:
    """A step beside what it may differ by, in nanoseconds."""

    difference: Difference
    plain_ns: int
    whole_ns: int

    def off_ns(self) -> int:
        return abs(self.difference.longer_ns)


def read_trace(path: Path) -> list[Passed]:
    """Lines like `(12.000345) can0 14B#12 T`; error frames are left out."""
    passed = []
    for line in path.read_text(encoding="ascii").splitlines():
        stamp, _, frame, *direction = line.split()
        id, _, data = frame.partition("#")
        if direction and len(id) == 3:
            passed.append(Passed(round(float(stamp[1:-1]) * 1e9), int(id, 16), data, direction[0] == "T"))
    return passed


def round_trips(trace: Sequence[Passed], *, polls: bool = True) -> list[int]:
    """From each request's handing over to its reply, sorted; with or without those of polls."""
    asked: dict[int, Passed] = {}
    took = []
    for frame in trace:
        if frame.sent:
            asked[frame.id - REQUEST] = frame
        elif (request := asked.pop(frame.id - REPLY, None)) is not None and (polls or request.data != POLL):
            took.append(frame.t_ns - request.t_ns)
    return sorted(took)


def exchanges(trace: Sequence[Passed], begin_ns: int, end_ns: int) -> int:
    """What was asked of one node in that time besides its position: of the node that was asked the most."""
    counts: dict[int, int] = {}
    for frame in trace:
        if frame.sent and begin_ns <= frame.t_ns <= end_ns and frame.id > REQUEST and frame.data != POLL:
            counts[frame.id] = counts.get(frame.id, 0) + 1
    return max(counts.values(), default=0)


def trace_begins(journal: Journal, trace: Sequence[Passed]) -> int:
    """How long before the journal: the start trigger is in both."""
    started = next(iter(journal.of("trigger"))).fields["started_ns"]
    return next(frame.t_ns for frame in trace if frame.sent and frame.id == START) - int(started)


def motions(journal: Journal, begin_ns: int, end_ns: int) -> int:
    """How often one axis was sent on its way in that time: of the axis that was so the most."""
    counts: dict[str, int] = {}
    for record in journal.of("move"):
        if begin_ns <= record.t_ns <= end_ns:
            counts[record.fields["axis"]] = counts.get(record.fields["axis"], 0) + 1
    return max(counts.values(), default=0)


def judge(live: Path, rehearsal: Path, plan: Plan) -> tuple[list[Judged], list[int], list[int]]:
    """Every step, and the round trips of both, sorted."""
    poll_ns, latch_ns = plan.poll_ns, max(plan.dialects[axis.dialect].timing.latch_ns for axis in plan.axes)
    homes = [(step.path, step.action) for step in plan.steps if isinstance(step.action, Home)]
    crawls = {path: float(action.search / action.crawl) for path, action in homes}
    journal, trace = read_journal(live / "journal.jsonl"), read_trace(live / "trace.log")
    before = read_trace(rehearsal / "trace.log")
    took, simulated = round_trips(trace), round_trips(before)
    last_ns = _part(took, 0.99)
    more_ns = max(0.0, fmean(round_trips(trace, polls=False)) - fmean(round_trips(before, polls=False)))
    found, before_ns = [], trace_begins(journal, trace)
    for one in differences(summarise(journal), summarise(read_journal(rehearsal / "journal.jsonl"))):
        begin, end = one.row.begin_ns or 0, one.row.end_ns or 0
        moved = max(1, motions(journal, begin, end))
        asked = exchanges(trace, begin + before_ns, end + before_ns)
        crawled = crawls.get(one.row.step.path, 0.0) * (poll_ns + last_ns)
        whole = moved * (poll_ns + latch_ns) + last_ns + asked * more_ns + crawled
        found.append(Judged(one, poll_ns + latch_ns + last_ns, round(whole)))
    return found, took, simulated


def _part(ordered: Sequence[int], part: float) -> int:
    return ordered[int((len(ordered) - 1) * part)]


def demonstrate(folder: Path) -> tuple[int, str]:
    """Both terminals; the run's exit code and its last line but one."""
    with machine(folder, DEMO), run(folder, recipe=DEMO) as (running, _):
        code = running.process.wait(PATIENCE_S)
        running.end()
        return code, "\n".join(running.lines[-2:])


def tell(found: Sequence[Judged], took: Sequence[int], simulated: Sequence[int]) -> int:
    """Print what was found; how many steps are outside."""
    print(
        f"round trips: median {_part(took, 0.5) / 1e6:.2f} ms, 99 % {_part(took, 0.99) / 1e6:.2f} ms, worst "
        f"{took[-1] / 1e6:.2f} ms; in the rehearsal median {_part(simulated, 0.5) / 1e6:.2f} ms"
    )
    rows = [
        (
            one.difference.row.step.path,
            one.difference.row.step.label or one.difference.row.step.verb,
            f"{one.difference.rehearsed_ns / 1e9:.3f}",
            f"{one.difference.longer_ns / 1e6:+.1f}",
            f"{one.plain_ns / 1e6:.1f}",
            f"{one.whole_ns / 1e6:.1f}",
        )
        for one in sorted(found, key=Judged.off_ns, reverse=True)[:SHOWN]
    ]
    print(*table(COLUMNS, rows, 120), sep="\n")
    plain = sum(one.off_ns() <= one.plain_ns for one in found)
    whole = sum(one.off_ns() <= one.whole_ns for one in found)
    longer = sum(one.difference.longer_ns for one in found)
    print(
        f"{plain} of {len(found)} steps are within a poll period, the latch and the 99 % round trip; {whole} with "
        f"their motions and exchanges; all together {longer / 1e6:+.1f} ms"
    )
    return len(found) - whole


def main(jobs: int, each: int | None, nice: int, out: Path | None) -> int:
    """So many runs, one after the other; 1 if one does not finish or a step is outside its tolerance."""
    plan = check(DEMO).plan
    assert plan is not None
    outside = 0
    for number in range(each or 1):
        with tempfile.TemporaryDirectory() as name, announced_in(Path(name)):
            code, last = demonstrate(Path(name))
            print(f"{last}\nload average {os.getloadavg()[0]:.1f}")
            if out is not None:
                shutil.copytree(Path(name) / "out", out / f"demo-{number}", dirs_exist_ok=True)
            if code:
                return 1
            outside += tell(*judge(Path(name) / "out", Path(name) / "out" / "rehearsal", plan))
    return 1 if outside else 0
