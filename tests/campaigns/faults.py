"""Every kind of fault at every step of the demonstration: the runs over the processes, and a table of the kinds."""

import os
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from choreo.errors import Exit
from choreo.report.table import Column, table
from choreo.trial.crew import Broke, Crew, Died
from tests.run.machine import DEMO, plan_of

from .branching import branches
from .cells import Cell, Facts, demo_cells
from .judging import complaints

COLUMNS = (
    Column("kind", right=False),
    Column("runs"),
    Column("acted"),
    Column("done"),
    Column("stopped"),
    Column("link"),
    Column("unproven"),
    Column("farthest stop, mm", right=False),
    Column("skew, mm"),
    Column("reaction, ms"),
    Column("wrong"),
)
#: So many wrong runs of each kind are printed; all are kept with `--out`.
SHOWN = 3


@dataclass(slots=True)
class Worst:
    """The largest of something, and what it was of."""

    value: float = 0.0
    what: str = ""

    def see(self, value: float, what: str) -> None:
        if value > self.value:
            self.value, self.what = value, what


@dataclass(slots=True)
class Row:
    """What became of one kind."""

    runs: int = 0
    acted: int = 0
    exits: dict[int, int] = field(default_factory=dict)
    unproven: int = 0
    stop: Worst = field(default_factory=Worst)
    skew: Worst = field(default_factory=Worst)
    reaction: Worst = field(default_factory=Worst)
    wrong: list[tuple[Cell, list[str]]] = field(default_factory=list)

    def add(self, cell: Cell, facts: Facts, found: list[str]) -> None:
        ending = facts.ending
        self.runs += 1
        self.acted += bool(facts.acted)
        self.exits[ending.exit] = self.exits.get(ending.exit, 0) + 1
        self.unproven += bool(ending.unproven)
        for stop in ending.stops:
            self.stop.see(stop.true or 0.0, f"{stop.axis}, {cell}")
        for skew in ending.skews if ending.exit else ():
            self.skew.see(skew.true or 0.0, str(cell))
        if ending.exit and facts.reaction_ns is not None:
            self.reaction.see(facts.reaction_ns / 1e6, str(cell))
        if found:
            self.wrong.append((cell, found))

    def cells(self, kind: str) -> tuple[str, ...]:
        at = self.stop.what.partition(",")[0]
        return (
            kind,
            str(self.runs),
            str(self.acted),
            *(str(self.exits.get(code, 0)) for code in (Exit.DONE, Exit.STOPPED, Exit.LINK)),
            str(self.unproven),
            f"{self.stop.value:.2f} {at}" if at else "-",
            f"{self.skew.value:.2f}" if self.skew.what else "-",
            f"{self.reaction.value:.1f}" if self.reaction.what else "-",
            str(len(self.wrong)),
        )


@dataclass(frozen=True, slots=True)
class Chosen:
    """What a process of the campaign is told: the numbers of its cells, those of one step together."""

    bundles: tuple[tuple[int, ...], ...]
    nice: int


def worker(chosen: Chosen) -> Callable[[int], list[Facts | Broke]]:
    """The work of one process: the cells of one step."""
    os.nice(chosen.nice)
    cells = demo_cells()
    return lambda place: branches(plan_of(DEMO), [cells[number] for number in chosen.bundles[place]])


def run(numbers: Sequence[int], jobs: int, nice: int = 0) -> Iterator[tuple[Cell, Facts | None, list[str]]]:
    """Each cell with what became of it and what is wrong with that, in the order of the steps."""
    plan, cells = plan_of(DEMO), demo_cells()
    by_step: dict[str, list[int]] = {}
    for number in sorted(numbers):
        by_step.setdefault(cells[number].path, []).append(number)
    bundles = tuple(tuple(bundle) for bundle in by_step.values())
    crew: Crew[list[Facts | Broke]] = Crew(worker, Chosen(bundles, nice), jobs)
    for place, results in crew.results(len(bundles)):
        if isinstance(results, Died | Broke):
            results = [Broke(f"the process of the step: {results}", "")] * len(bundles[place])
        for number, result in zip(bundles[place], results, strict=True):
            cell = cells[number]
            if isinstance(result, Broke):
                yield cell, None, [f"{result.headline}\n{result.text}"]
            else:
                yield cell, result, complaints(plan, cell, result)


def sample(each: int = 1) -> list[int]:
    """
    So many cells of each kind, spread over the steps and the axes: the kinds begin at different steps, so that all of
    them together meet them all.
    """
    by_kind: dict[str, list[int]] = {}
    for number, cell in enumerate(demo_cells()):
        by_kind.setdefault(cell.kind, []).append(number)
    chosen = []
    for turn, numbers in enumerate(by_kind.values()):
        chosen += [numbers[(turn * 37 + part * len(numbers) // each) % len(numbers)] for part in range(each)]
    return chosen


def main(jobs: int, each: int | None, nice: int, out: Path | None) -> int:
    """Print the table; 1 when anything is wrong."""
    numbers = sample(each) if each else range(len(demo_cells()))
    rows: dict[str, Row] = {}
    try:
        _fill(rows, list(numbers), jobs, nice)
    except KeyboardInterrupt:
        print("interrupted; what is known so far:")
    for line in table(COLUMNS, [row.cells(kind) for kind, row in sorted(rows.items())], 160):
        print(line)
    print("\nWorst of each kind:")
    for kind, row in sorted(rows.items()):
        for name, worst, unit in (("stop", row.stop, "mm"), ("skew", row.skew, "mm"), ("reaction", row.reaction, "ms")):
            if worst.what:
                print(f"  {kind}: {name} {worst.value:.2f} {unit}: {worst.what}")
    return _wrong(rows, out)


def _fill(rows: dict[str, Row], numbers: list[int], jobs: int, nice: int) -> None:
    """Run by run, with a line now and then."""
    for count, (cell, facts, found) in enumerate(run(numbers, jobs, nice), 1):
        row = rows.setdefault(cell.kind, Row())
        if facts is None:
            row.runs += 1
            row.wrong.append((cell, found))
        else:
            row.add(cell, facts, found)
        if found and len(row.wrong) <= SHOWN:
            print(f"WRONG {cell}:", *found, sep="\n    ", flush=True)
        if count % 200 == 0:
            wrong = sum(len(row.wrong) for row in rows.values())
            print(f"{count} of {len(numbers)} runs, {wrong} wrong", flush=True)


def _wrong(rows: dict[str, Row], out: Path | None) -> int:
    wrong = [(cell, found) for row in rows.values() for cell, found in row.wrong]
    if out is not None:
        out.mkdir(parents=True, exist_ok=True)
        text = "".join(f"{cell}\n" + "".join(f"    {what}\n" for what in found) + cell.text for cell, found in wrong)
        (out / "wrong.txt").write_text(text, encoding="utf-8")
    runs = sum(row.runs for row in rows.values())
    print(f"\n{runs} runs, {len(wrong)} of them wrong")
    return 1 if wrong else 0
