"""Everything a report says, gathered from one journal; and the same as `summary.json`."""

import json
from collections.abc import Mapping
from dataclasses import dataclass, fields, is_dataclass
from fractions import Fraction
from typing import Any

from choreo.journal import Journal, exact
from choreo.report import words
from choreo.report.inputs import UntilRow, WaitRow, until_rows, wait_rows
from choreo.report.links import LinkFigures, link_figures
from choreo.report.lost import host_lost
from choreo.report.scopes import ScopeRow, scope_rows
from choreo.report.skew import PairSkew, pair_skews
from choreo.report.starts import Start, starts
from choreo.report.steps import StepRow, step_rows
from choreo.report.stops import Stop, stop_of

#: Of the form of `summary.json`.
VERSION = 1


@dataclass(frozen=True, slots=True)
class Found:
    """A finding of the run, as the journal has it."""

    t_ns: int
    rule: str
    level: str
    axis: str | None
    step: str
    headline: str
    help: str


@dataclass(frozen=True, slots=True)
class Summary:
    """
    One run. Times in ns. `outcome` is `done` or the cause of the stop; it and `exit` are None for a run that was cut
    off; `complete` says whether the journal has its end. `lost` and `late` count requests without an answer and answers
    without a request, by axis.
    """

    title: str
    machine: str
    mode: str
    choreo: str
    seed: int | None
    pace: str
    parameters: Mapping[str, str]
    hashes: Mapping[str, str]
    complete: bool
    outcome: str | None
    exit: int | None
    predicted_ns: int
    taken_ns: int
    steps: tuple[StepRow, ...]
    pairs: tuple[PairSkew, ...]
    starts: tuple[Start, ...]
    scopes: tuple[ScopeRow, ...]
    untils: tuple[UntilRow, ...]
    waits: tuple[WaitRow, ...]
    links: tuple[LinkFigures, ...]
    lost: Mapping[str, int]
    late: Mapping[str, int]
    findings: tuple[Found, ...]
    stop: Stop | None
    remarks: tuple[str, ...]


def summarise(journal: Journal) -> Summary:
    """Compute the whole of it. A journal that was cut off gives what it holds."""
    run, last = journal.run.fields, journal.records[-1]
    rows = step_rows(journal)
    end = last.fields if journal.complete else {}
    stop = stop_of(journal)
    begun = starts(journal)
    return Summary(
        title=run["title"],
        machine=run["machine"],
        mode=run["mode"],
        choreo=run["choreo"],
        seed=run["seed"],
        pace=run["pace"],
        parameters=run["parameters"],
        hashes=run["hashes"],
        complete=journal.complete,
        outcome=None if not end else end["outcome"] if stop is None else stop.cause,
        exit=end.get("exit"),
        predicted_ns=sum(step.predicted_ns for step in journal.steps),
        taken_ns=end.get("taken_ns", last.t_ns),
        steps=rows,
        pairs=pair_skews(journal, rows),
        starts=begun,
        scopes=scope_rows(journal, begun, rows),
        untils=until_rows(journal),
        waits=wait_rows(journal),
        links=link_figures(journal),
        lost=_count(journal, "lost"),
        late=_count(journal, "late"),
        findings=_findings(journal),
        stop=stop,
        remarks=_remarks(journal),
    )


def _count(journal: Journal, kind: str) -> dict[str, int]:
    counts: dict[str, int] = {}
    for record in journal.of(kind):
        counts[record.fields["axis"]] = counts.get(record.fields["axis"], 0) + 1
    return {axis.name: counts[axis.name] for axis in journal.axes if axis.name in counts}


def _findings(journal: Journal) -> tuple[Found, ...]:
    paths = {step.id: step.path for step in journal.steps}
    return tuple(
        Found(
            record.t_ns,
            record.fields["rule"],
            record.fields["level"],
            record.fields.get("axis"),
            paths.get(record.fields.get("step", -1), ""),
            record.fields["headline"],
            record.fields.get("help", ""),
        )
        for record in journal.of("finding")
    )


def _remarks(journal: Journal) -> tuple[str, ...]:
    run = journal.run.fields
    simulated = run["mode"] == "dry-run"
    nominal = simulated and "simulated" in run and run["simulated"] is None
    chosen = (
        (not journal.complete, words.CUT_OFF),
        (simulated, words.SIMULATED),
        (nominal, words.NOMINAL),
        (nominal and any(True for _ in journal.of("input")), words.NOMINAL_INPUTS),
        (True, words.ENCODERS),
        (True, words.CAUTION),
    )
    remarks = [text for wanted, text in chosen if wanted]
    return (*remarks[:-1], *host_lost(run), remarks[-1])


def summary_json(summary: Summary) -> str:
    """
    The text of `summary.json`: the fields of `Summary`, indented, ending with a newline.

    Exact numbers are text as in the journal; computed floats carry six significant digits, the most that readings give.
    """
    return json.dumps({"summary": VERSION, **_plain(summary)}, indent=2, ensure_ascii=False) + "\n"


def _plain(value: Any) -> Any:
    if is_dataclass(value) and not isinstance(value, type):
        made = {field.name: _plain(getattr(value, field.name)) for field in fields(value)}
        for computed in ("slack_ns", "spread_ns"):
            if hasattr(value, computed):
                made[computed] = getattr(value, computed)
        return made
    if isinstance(value, float):
        return float(f"{value:.6g}")
    if isinstance(value, Fraction):
        return exact(value)
    if isinstance(value, Mapping):
        return {key: _plain(item) for key, item in value.items()}
    if isinstance(value, tuple | list):
        return [_plain(item) for item in value]
    return value
