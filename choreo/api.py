"""
choreo from Python: check a recipe, run it on a simulated bus. The commands use these functions and nothing below them.

    result = check("recipes/kiln_gantry/home_and_test.yaml", {"stroke": "400 mm"})
    if result.ok:
        run = dry_run("recipes/kiln_gantry/home_and_test.yaml", {"stroke": "400 mm"}, seed=3)
        print(run.outcome.headline, run.folder.path)
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from choreo.checks import run_checks
from choreo.diagnostic import Finding, Level, Refused
from choreo.diagnostic.order import by_position
from choreo.plan.model import Plan
from choreo.plan.resolve import resolve
from choreo.recipe.load import load
from choreo.units import show_ns

if TYPE_CHECKING:  # what only a run needs is imported by `dry_run`: a check starts in half the time
    from choreo.journal import RunFolder, SampleObserver
    from choreo.link.port import Link, SimulationRequest
    from choreo.report import Summary
    from choreo.run.executor import Outcome


class Watcher(Protocol):
    """Whoever looks on while a run goes on. Called in the middle of the session: never waits, never raises."""

    @property
    def sample(self) -> SampleObserver | None:
        """Gets every position reading; None when nobody wants them."""

    def record(self, kind: str, t_ns: int, fields: dict[str, Any]) -> None:
        """Gets every record of the journal."""


#: Called with the link before the run; what it yields watches, and it is left when the run is over.
Attend = Callable[["Link"], AbstractContextManager[Watcher | None]]


@dataclass(frozen=True, slots=True)
class CheckResult:
    """
    What was found, by position, and the plan. `lines` are the lines of the files that were read, for renderings; `plan`
    is None when something is wrong.
    """

    findings: tuple[Finding, ...]
    lines: Mapping[str, Sequence[str]]
    plan: Plan | None

    @property
    def ok(self) -> bool:
        """Whether the recipe may run: nothing but warnings and notes was found."""
        return self.plan is not None

    def headline(self) -> str:
        """The result in one line."""
        errors = sum(finding.level is Level.ERROR for finding in self.findings)
        warnings = sum(finding.level is Level.WARNING for finding in self.findings)
        found = ", ".join(_count(number, word) for number, word in ((errors, "error"), (warnings, "warning")) if number)
        if self.plan is None:
            return f"refused: {found}"
        steps = (*self.plan.steps, *self.plan.closing)
        predicted = show_ns(sum(step.predicted_ns for step in steps) // 1_000_000 * 1_000_000)
        return f"{self.plan.title}: {found or 'nothing found'}; {_count(len(steps), 'step')}, {predicted} predicted"


@dataclass(frozen=True, slots=True)
class RunResult:
    """How a run ended, where it left its files, and its figures. `findings` are the check's warnings."""

    outcome: Outcome
    folder: RunFolder
    summary: Summary
    findings: tuple[Finding, ...]
    lines: Mapping[str, Sequence[str]]


def check(path: str | Path, overrides: Mapping[str, str] | None = None, *, pace: Fraction = Fraction(1)) -> CheckResult:
    """
    Everything that can be said of a recipe without a machine. Never raises for what is wrong with the recipe.

    `overrides` sets parameters (`{"stroke": "600 mm"}`), `pace` is the factor on speeds, above 0 and at most 1.
    """
    try:
        recipe = load(path, overrides)
    except Refused as refused:
        return CheckResult(tuple(refused.findings), refused.lines, None)
    plan, findings = resolve(recipe, pace)
    findings = [*recipe.warnings, *findings]
    findings += run_checks(plan, recipe)
    sound = all(finding.level is not Level.ERROR for finding in findings)
    return CheckResult(by_position(findings), recipe.sources, plan if sound else None)


def dry_run(
    path: str | Path,
    overrides: Mapping[str, str] | None = None,
    *,
    pace: Fraction = Fraction(1),
    seed: int = 0,
    faults: Path | None = None,
    out: Path | None = None,
    attend: Attend | None = None,
) -> RunResult:
    """
    Check a recipe and run it on the simulated bus in virtual time: the same inputs give the same journal, bit for bit.

    The run folder is `out`, or `runs/` and the title's slug in the current folder; one of an earlier run is used again.

    Raises:
        Refused: the check found an error.
        RecipeError: the folder, the fault file or the simulated machine cannot be used.
    """
    from choreo.journal import prepare_folder, read_journal, slug
    from choreo.link.simulated import open_simulated
    from choreo.report import summarise, summary_json

    checked = check(path, overrides, pace=pace)
    if checked.plan is None:
        raise Refused(checked.findings, checked.lines)
    plan = checked.plan
    link = open_simulated(simulation_request(plan, seed=seed, faults=faults))
    try:
        folder = prepare_folder(Path("runs") / slug(plan.title) if out is None else out)
        outcome = _run(plan, link, folder, seed, attend)
    finally:
        link.close()
    summary = summarise(read_journal(folder.journal))
    folder.summary.write_text(summary_json(summary), encoding="utf-8", newline="\n")
    return RunResult(outcome, folder, summary, checked.findings, checked.lines)


def _run(plan: Plan, link: Link, folder: RunFolder, seed: int, attend: Attend | None) -> Outcome:
    from choreo.journal import JournalWriter
    from choreo.link.trace import TraceLink
    from choreo.run.executor import execute

    with (
        folder.trace.open("w", encoding="ascii", newline="\n") as trace,
        nullcontext(None) if attend is None else attend(link) as watcher,
        JournalWriter(
            folder.journal,
            observer=None if watcher is None else watcher.record,
            sample_observer=None if watcher is None else watcher.sample,
        ) as journal,
    ):
        traced = TraceLink(link, trace)
        try:
            return execute(plan, traced, journal, mode="dry-run", seed=seed)
        finally:
            traced.close()


def simulation_request(plan: Plan, *, seed: int = 0, faults: Path | None = None) -> SimulationRequest:
    """What decides the simulated bus of a plan: its machine truth, or its axes where it names none."""
    from choreo.link.port import SimulatedAxis, SimulationRequest

    return SimulationRequest(
        machine=plan.simulated,
        axes=tuple(
            SimulatedAxis(
                name=axis.name,
                node=axis.node,
                dialect=axis.dialect,
                dialect_file=plan.dialect_files[axis.dialect],
                counts_per_unit=axis.counts_per_unit,
                travel=axis.limits.travel,
                load="vertical" if axis.vertical else "horizontal",
                pair=axis.pair,
                brake=None if axis.brake is None else (axis.brake.release_ns, axis.brake.engage_ns),
                lag_ns=axis.lag_ns,
                noise_counts=axis.noise_counts,
            )
            for axis in plan.axes
        ),
        bit_rate=plan.bit_rate,
        seed=seed,
        faults=faults,
    )


def _count(number: int, word: str) -> str:
    return f"{number} {word}" if number == 1 else f"{number} {word}s"
