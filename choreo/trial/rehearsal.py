"""One run of a trial: on a simulated bus of its own, with a journal in memory, and what is kept of it."""

import io
from bisect import bisect_right
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path
from typing import Any

from choreo.errors import ChoreoError, RecipeError
from choreo.journal import Journal, JournalWriter, read_journal_text
from choreo.journal.after_stop import AxisAfterStop
from choreo.link.port import Link, SimulationRequest, Truth, Truthful
from choreo.link.simulated import open_simulated
from choreo.plan.model import Plan
from choreo.plan.resolve import resolve
from choreo.recipe.load import load
from choreo.report.skew import pair_skews
from choreo.report.steps import StepRow, step_rows
from choreo.report.stops import stop_of
from choreo.report.text import what
from choreo.run.executor import Outcome, execute
from choreo.trial.ending import AxisStop, Ending, RunSkew, StepTime

#: Apart in the seeds of two trials: no trial has more runs than this.
MOST_RUNS = 1_000_000
#: How long an axis is looked at after the end of a run.
WATCHED_NS = 200_000_000
#: By how many counts, beyond its noise, an axis may creep in that time: the last of its lag.
CREEP_COUNTS = 10


@dataclass(frozen=True, slots=True)
class Job:
    """
    What every run of a trial has in common. The plan is made anew in each process, from the same files: `hashes` are
    those of the plan that was checked.
    """

    path: Path
    overrides: Mapping[str, str]
    pace: Fraction
    hashes: Mapping[str, str]
    request: SimulationRequest
    seed: int  # of the trial
    answer: str = "yes"  # what the simulated operator types


def seed_of(trial: int, number: int) -> int:
    """The seed of a trial's run, from the trial's own seed and the run's number only; no two trials share one."""
    return trial * MOST_RUNS + number


def worker(job: Job) -> Callable[[int], Ending]:
    """The work of one process: a run by its number. RecipeError when the recipe is not what it was any more."""
    plan, _ = resolve(load(job.path, job.overrides), job.pace)
    if plan is None or dict(plan.hashes) != job.hashes:
        raise RecipeError(f"{job.path} or a file of its was changed during the trial", rule="changed")
    return lambda number: rehearse(plan, job.request, seed_of(job.seed, number), job.answer)


def rehearse(plan: Plan, request: SimulationRequest, seed: int, answer: str = "yes") -> Ending:
    """Run a plan once. Never raises for anything that the machine or its faults do."""
    try:
        link = open_simulated(replace(request, seed=seed))
    except ChoreoError as error:  # faults that were drawn and do not fit this machine
        return Ending(seed, int(error.exit), error.headline, rule=error.rule)
    try:
        return ending_of(plan, seed, perform(plan, link, seed, answer))
    finally:
        link.close()


@dataclass(frozen=True, slots=True)
class Performed:
    """
    A run that is over: how it ended, its journal as text and as read, and the simulator's truth at the stop (or the
    end), at the end, and a while after it; None where a link does not tell it.
    """

    outcome: Outcome
    text: str
    journal: Journal
    truths: tuple[Truth, Truth, Truth] | None


def perform(plan: Plan, link: Link, seed: int, answer: str = "yes") -> Performed:
    """Run a plan on a link that was opened for it. The journal is the one that `dry-run` writes."""
    teller = link if isinstance(link, Truthful) else None
    told: list[Truth] = [] if teller is None else [teller.truth()]

    def look(kind: str, t_ns: int, fields: dict[str, Any]) -> None:
        if kind == "stopping" and teller is not None:
            told.append(teller.truth())

    stream = io.StringIO()
    writer = JournalWriter(None, stream, observer=look)
    outcome = execute(plan, link, writer, mode="dry-run", seed=seed, operator=lambda _: answer)
    text = stream.getvalue()
    journal = read_journal_text(text, f"the journal of seed {seed}")
    if teller is None:
        return Performed(outcome, text, journal, None)
    end = teller.truth()
    stop = told[1] if len(told) > 1 else end
    return Performed(outcome, text, journal, (stop, end, teller.truth(WATCHED_NS)))


def ending_of(plan: Plan, seed: int, run: Performed) -> Ending:
    """What is kept of it."""
    outcome, journal, truths = run.outcome, run.journal, run.truths
    rows = step_rows(journal)
    step = outcome.step if outcome.exit else None
    stayed = {axis.name: _stayed(plan, axis.index, truths) for axis in plan.axes}
    stop = stop_of(journal)
    left = {axis.axis: axis for axis in stop.axes} if stop is not None else {}
    last = None if truths is None else truths[-1]
    return Ending(
        seed=seed,
        exit=int(outcome.exit),
        headline=outcome.headline if outcome.exit else "done",
        rule=outcome.rule,
        axis=outcome.axis or "",
        step="" if step is None else step.path,
        what="" if step is None else what(step.verb, step.label),
        taken_ns=outcome.taken_ns,
        stops=tuple(_stops(plan, journal, left, truths, stayed)) if stop is not None else (),
        skews=tuple(_skews(plan, journal, rows, last)),
        steps=tuple(_times(rows)),
        restless=tuple(name for name, still in stayed.items() if still is False and _said_to_stand(left.get(name))),
        damage=() if last is None else tuple(happened.what for happened in last.damage),
        faults=() if last is None else tuple(sorted({happened.kind for happened in last.faults})),
        bug="" if outcome.trouble is None else _traceback(outcome.trouble),
    )


def _stayed(plan: Plan, index: int, truths: tuple[Truth, Truth, Truth] | None) -> bool | None:
    if truths is None:
        return None
    axis = plan.axes[index]
    _, end, after = truths
    moved = abs(after.positions[axis.node] - end.positions[axis.node]) * abs(float(axis.counts_per_unit))
    return moved <= axis.noise_counts + CREEP_COUNTS


def _said_to_stand(left: AxisAfterStop | None) -> bool:
    """After a stop only what is declared unproven may move; a run that was done leaves nothing that does."""
    return left is None or left.proven


def _stops(
    plan: Plan,
    journal: Journal,
    left: dict[str, AxisAfterStop],
    truths: tuple[Truth, Truth, Truth] | None,
    stayed: dict[str, bool | None],
) -> Iterator[AxisStop]:
    began = next(journal.of("stopping")).t_ns
    for axis in plan.axes:
        found = left.get(axis.name)
        true = None if truths is None else abs(truths[1].positions[axis.node] - truths[0].positions[axis.node])
        samples = journal.samples[axis.index]
        place = bisect_right(samples.t_ns, began) - 1
        seen = None
        if found is not None and found.counts is not None and place >= 0:
            seen = abs((found.counts - samples.counts[place]) / float(axis.counts_per_unit))
        proven = found is not None and found.proven
        yield AxisStop(axis.name, axis.unit, true, seen, proven, stayed[axis.name])


def _skews(plan: Plan, journal: Journal, rows: tuple[StepRow, ...], last: Truth | None) -> Iterator[RunSkew]:
    for found, pair in zip(pair_skews(journal, rows), plan.pairs, strict=True):
        nodes = (plan.axes[pair.axes[0]].node, plan.axes[pair.axes[1]].node)
        true = None if last is None else last.skews.get(nodes, last.skews.get(nodes[::-1]))
        seen = None if found.worst is None else abs(found.worst)
        yield RunSkew(pair.name, found.unit, true, seen, pair.trip, pair.structural)


def _times(rows: tuple[StepRow, ...]) -> Iterator[StepTime]:
    for row in rows:
        if row.outcome == "done" and row.taken_ns is not None and row.step.timeout_ns:
            yield StepTime(row.step.path, what(row.step.verb, row.step.label), row.taken_ns, row.step.timeout_ns)


def _traceback(trouble: BaseException) -> str:
    import traceback

    return "".join(traceback.format_exception(trouble))
