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
from choreo.diagnostic import Finding, Level, Refused, did_you_mean
from choreo.diagnostic.order import by_position
from choreo.errors import RecipeError
from choreo.plan.model import Plan
from choreo.plan.resolve import resolve, resolve_machine
from choreo.recipe.load import load, load_machine
from choreo.recipe.model import Recipe
from choreo.units import show_ns

if TYPE_CHECKING:  # what only a run needs is imported by `dry_run`: a check starts in half the time
    from choreo.journal import RunFolder, SampleObserver
    from choreo.link.port import Link, Script, SimulationRequest
    from choreo.report import Summary
    from choreo.run.executor import Outcome
    from choreo.service.link_check import Progress, Wanted
    from choreo.service.link_figures import LinkReport
    from choreo.trial import Tally, Trial


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
    """
    How a run ended, where it left its files, and its figures. `findings` are the check's warnings; `script` is what
    became of the fault file, None where there was none.
    """

    outcome: Outcome
    folder: RunFolder
    summary: Summary
    findings: tuple[Finding, ...]
    lines: Mapping[str, Sequence[str]]
    script: Script | None = None


@dataclass(frozen=True, slots=True)
class TrialResult:
    """The figures of a trial, and the run folders that were kept. `findings` are the check's warnings."""

    trial: Trial
    folders: tuple[Path, ...]
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


def machine_plan(path: str | Path) -> Plan:
    """
    The plan of a recipe's machine, or of a machine file's, without any step: to look at its link, or to stop it. What
    is wrong with the recipe's steps does not matter.

    Raises:
        Refused: something is wrong with its bus, axes, pairs, limits or dialects.
    """
    return resolve_machine(load_machine(path))


def link_check(
    path: str | Path,
    bus: str,
    options: Mapping[str, str] | None = None,
    *,
    wanted: Wanted | None = None,
    watch: Callable[[Progress], None] = lambda progress: None,
) -> LinkReport:
    """
    Counted exchanges with each node of a recipe's or machine file's machine, on the real bus `bus`; who else is there.
    Nothing moves and nothing is written to a drive. `wanted` is how much is measured; `watch` is called once a second
    and never waits. SIGINT ends it early, with what was measured until then. `choreo.service.link_verdict.judge` says
    what the report means.

    Raises:
        Refused: something is wrong with the machine's bus, axes or dialects.
        RecipeError: the bus is none, somebody else commands this machine, or another process has it.
        LinkLost: the adapter cannot be opened.
    """
    from choreo.link.live import open_live
    from choreo.link.supervise import run_live
    from choreo.running import announced
    from choreo.service.link_check import check_link

    plan = machine_plan(path)
    with announced(plan.machine, bus, Path.cwd()):
        link = open_live(bus, plan.bit_rate, options or {})
        try:
            return run_live(lambda: check_link(plan, link, wanted, watch), link)
        finally:
            link.close()


def dry_run(
    path: str | Path,
    overrides: Mapping[str, str] | None = None,
    *,
    pace: Fraction = Fraction(1),
    seed: int = 0,
    faults: Path | None = None,
    out: Path | None = None,
    attend: Attend | None = None,
    answer: str = "yes",
) -> RunResult:
    """
    Check a recipe and run it on the simulated bus in virtual time: the same inputs give the same journal, bit for bit.

    The run folder is `out`, or `runs/` and the title's slug in the current folder; one of an earlier run is used again.
    `answer` is what the simulated operator types whenever the recipe asks (`yes` or `no`).

    Raises:
        Refused: the check found an error.
        RecipeError: the folder, the fault file or the simulated machine cannot be used.
    """
    return _rehearse(check(path, overrides, pace=pace), seed, faults, out, attend, answer)


def retreat(
    path: str | Path,
    name: str,
    after: Path,
    overrides: Mapping[str, str] | None = None,
    *,
    pace: Fraction = Fraction(1),
    faults: Path | None = None,
    out: Path | None = None,
    attend: Attend | None = None,
    answer: str = "yes",
) -> RunResult:
    """
    Carry out the sequence `name` of a recipe, which must be for the time `after_stop`, on the simulated bus: the
    machine is as the run in the folder `after` left it. Seed and noise are those of that run.

    Raises:
        Refused: the check found an error.
        RecipeError: there is nothing to retreat from, as `check_retreat` says; or the folder, the fault file or the
            simulated machine cannot be used.
    """
    checked, seed = check_retreat(path, name, after, overrides, pace=pace)
    if out is not None and out.resolve() == _journal_of(after).parent.resolve():
        headline = f"the run that was stopped would be overwritten in {out}"
        raise RecipeError(headline, rule="same-folder", help="Name another folder with --out.")
    return _rehearse(checked, seed, faults, out, attend, answer)


def check_retreat(
    path: str | Path,
    name: str,
    after: Path,
    overrides: Mapping[str, str] | None = None,
    *,
    pace: Fraction = Fraction(1),
) -> tuple[CheckResult, int]:
    """
    What is found of a retreat, its plan, and the seed of the run before it.

    Raises:
        RecipeError: no such sequence; or the run was not stopped, left an axis unproven or loaded, or was another
            machine's or another recipe's.
    """
    from choreo.journal import read_journal
    from choreo.plan.after_stop import resolve_after_stop
    from choreo.run.prepare.left import as_left

    try:
        recipe = load(path, overrides)
    except Refused as refused:
        return CheckResult(tuple(refused.findings), refused.lines, None), 0
    _meant_for_it(recipe, name)
    whole, findings = resolve(recipe, pace)
    if whole is None:
        return CheckResult(by_position(findings), recipe.sources, None), 0
    journal = read_journal(_journal_of(after))
    plan, findings = resolve_after_stop(recipe, name, as_left(journal, whole), pace)
    findings += run_checks(plan, recipe)
    sound = all(finding.level is not Level.ERROR for finding in findings)
    return CheckResult(by_position(findings), recipe.sources, plan if sound else None), journal.run.fields["seed"] or 0


def _journal_of(run: Path) -> Path:
    return run / "journal.jsonl" if run.is_dir() else run


def _meant_for_it(recipe: Recipe, name: str) -> None:
    """The sequence is there, and for the time after a stop."""
    meant = [str(key) for key, sequence in recipe.sequences.items() if sequence.after_stop]
    if name in meant:
        return
    if name in recipe.sequences:
        help = "Only a sequence with `after_stop: true` is carried out after a stopped run."
        headline = f"the sequence {name} is for `call`, not for the time after a stop"
        raise RecipeError(headline, rule="not-a-retreat", help=help)
    none = "Write one under `sequences`, with `after_stop: true`." if not meant else ""
    headline = f"the recipe has no sequence {name[:60]!r} for the time after a stop"
    raise RecipeError(headline, rule="no-retreat", help=did_you_mean(name, meant, none))


def _rehearse(
    checked: CheckResult, seed: int, faults: Path | None, out: Path | None, attend: Attend | None, answer: str
) -> RunResult:
    from choreo.journal import prepare_folder, read_journal, slug
    from choreo.link.port import Scripted
    from choreo.link.simulated import open_simulated
    from choreo.report import summarise, summary_json

    if checked.plan is None:
        raise Refused(checked.findings, checked.lines)
    plan = checked.plan
    link = open_simulated(simulation_request(plan, seed=seed, faults=faults))
    try:
        folder = prepare_folder(Path("runs") / slug(plan.title) if out is None else out)
        outcome = _run(plan, link, folder, seed, attend, answer)
        script = link.script() if isinstance(link, Scripted) else None
    finally:
        link.close()
    summary = summarise(read_journal(folder.journal))
    folder.summary.write_text(summary_json(summary), encoding="utf-8", newline="\n")
    if script is not None:
        folder.faults.write_text(_script_json(script, seed), encoding="utf-8", newline="\n")
    return RunResult(outcome, folder, summary, checked.findings, checked.lines, script)


def trial(
    path: str | Path,
    overrides: Mapping[str, str] | None = None,
    *,
    runs: int,
    jobs: int = 1,
    pace: Fraction = Fraction(1),
    seed: int = 0,
    faults: Path | None = None,
    out: Path | None = None,
    answer: str = "yes",
    enough: Callable[[], bool] = lambda: False,
    progress: Callable[[Tally], None] = lambda _: None,
) -> TrialResult:
    """
    Check a recipe and run it so many times on the simulated bus, in `jobs` processes of their own: run i has the seed
    `seed` * 1,000,000 + i. The same inputs give the same figures, whatever `jobs` is.

    Nothing is kept unless `out` names a folder: then it gets `trial.json`, and the run folders of one run of each
    ending and of the worst. `answer` is as for `dry_run`. `enough` is asked between two runs and ends it early;
    `progress` is called after each.

    Raises:
        Refused: the check found an error.
        RecipeError: the folder, the fault file or the simulated machine cannot be used.
        InternalError: no process can be started.
    """
    from choreo.link.simulated import open_simulated
    from choreo.trial import conduct
    from choreo.trial.folder import keep_figures, prepare_trial_folder, run_folder
    from choreo.trial.rehearsal import Job, seed_of

    checked = check(path, overrides, pace=pace)
    if checked.plan is None:
        raise Refused(checked.findings, checked.lines)
    plan = checked.plan
    request = simulation_request(plan, seed=seed_of(seed, 0), faults=faults)
    open_simulated(request).close()  # what is wrong with the machine or its faults is said once, and at once
    if out is not None:
        prepare_trial_folder(out)
    job = Job(Path(path), dict(overrides or {}), pace, dict(plan.hashes), request, seed, answer)
    found = conduct(plan, job, runs=runs, jobs=jobs, enough=enough, progress=progress)
    folders: list[Path] = []
    if out is not None:
        keep_figures(out, found)
        for one in found.tally.seeds():
            if enough():
                break
            folders.append(run_folder(out, one))
            dry_run(path, overrides, pace=pace, seed=one, faults=faults, out=folders[-1], answer=answer)
    return TrialResult(found, tuple(folders), checked.findings, checked.lines)


def _run(plan: Plan, link: Link, folder: RunFolder, seed: int, attend: Attend | None, answer: str) -> Outcome:
    from choreo.journal import JournalWriter
    from choreo.link.trace import TraceLink, trace_file
    from choreo.run.executor import execute

    with (
        trace_file(folder.trace) as trace,
        nullcontext(None) if attend is None else attend(link) as watcher,
        JournalWriter(
            folder.journal,
            observer=None if watcher is None else watcher.record,
            sample_observer=None if watcher is None else watcher.sample,
        ) as journal,
    ):
        traced = TraceLink(link, trace)
        try:
            return execute(plan, traced, journal, mode="dry-run", seed=seed, operator=lambda _: answer)
        finally:
            traced.close()


def _script_json(script: Script, seed: int) -> str:
    """What became of the fault file; times are nanoseconds of the simulation. `explicit` gives the same run again."""
    import json

    acted = [{"t": one.t_ns, "kind": one.kind, "axis": one.axis, "what": one.what} for one in script.acted]
    rest = {"idle": list(script.idle), "drawn": list(script.drawn), "explicit": script.explicit}
    return json.dumps({"seed": seed, "acted": acted, **rest}, indent=2) + "\n"


def simulation_request(plan: Plan, *, seed: int = 0, faults: Path | None = None) -> SimulationRequest:
    """What decides the simulated bus of a plan: its machine truth, or its axes where it names none."""
    from choreo.link.port import SimulatedAxis, SimulatedLeft, SimulationRequest
    from choreo.run.watch.nominal import nominal_cues, nominal_inputs

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
                scale={
                    name: round(axis.scale[name] / setting.step)
                    for name, setting in plan.dialects[axis.dialect].scale_settings.items()
                },
            )
            for axis in plan.axes
        ),
        bit_rate=plan.bit_rate,
        seed=seed,
        faults=faults,
        left=tuple(
            SimulatedLeft(plan.axes[left.axis].node, left.counts, left.home_valid, left.energised, left.fault)
            for left in plan.left
        ),
        inputs=nominal_inputs(plan),
        cues=nominal_cues(plan),
    )


def _count(number: int, word: str) -> str:
    return f"{number} {word}" if number == 1 else f"{number} {word}s"
