"""A trial as tables of plain text, and as JSON."""

import json
from collections.abc import Callable, Iterator
from dataclasses import fields, is_dataclass
from fractions import Fraction
from textwrap import wrap
from typing import Any

from choreo.errors import Exit
from choreo.report.table import Column, printable, table
from choreo.report.words import CAUTION, NOMINAL, SIMULATED
from choreo.trial.conduct import Trial
from choreo.trial.tally import Cases, Group, Most
from choreo.units import show

#: Of the form of the JSON.
VERSION = 1
#: So many steps are shown of those that came closest to their timeouts.
CLOSEST = 5

_ENDINGS = (
    Column("runs"),
    Column("exit"),
    Column("rule", right=False),
    Column("axis", right=False, shrinks=8),
    Column("step", right=False),
    Column("what", right=False, shrinks=14, keep=3),
    Column("unproven", keep=2),
    Column("faults that acted", right=False, shrinks=16, keep=1),
    Column("seed"),
)
_FIGURES = (
    Column("", right=False, shrinks=8),
    Column("true"),
    Column("seed"),
    Column("seen"),
    Column("seed"),
    Column("", right=False, keep=2),
)
_CLOSEST = (
    Column("step", right=False),
    Column("what", right=False, shrinks=14),
    Column("taken s"),
    Column("timeout s"),
    Column("% of it"),
    Column("seed"),
)


def trial_lines(trial: Trial, command: Callable[[int], str], width: int) -> Iterator[str]:
    """The whole of it, line by line. `command` gives the shell command that repeats the run of a seed."""
    tally = trial.tally
    last = trial.first_seed + tally.runs + tally.died.runs - 1
    text = f"Trial of {trial.title} on {trial.machine}: {_runs(tally.runs)}, seeds {trial.first_seed} to {last}"
    yield from _prose(text if tally.runs else f"Trial of {trial.title}: no run came to its end", width)
    if tally.groups:
        yield ""
        yield from table(_ENDINGS, [_row(group) for group in tally.in_order()], width)
    for part in (_stopping, _skews, _closest):
        lines = list(part(trial, width))
        if lines:
            yield ""
            yield from lines
    yield from _never(trial, width)
    if tally.groups:
        yield ""
        yield "To repeat one run of each ending:"
        for group in tally.in_order():
            yield printable(f"  {command(group.seed)}")
    yield ""
    for remark in (*((NOMINAL,) if trial.nominal else ()), SIMULATED, CAUTION):
        yield from _prose(remark, width)
    yield ""
    yield from _prose(verdict(trial), width)


def verdict(trial: Trial) -> str:
    """What came of it, in one line."""
    tally = trial.tally
    came = f"{tally.runs} of {_runs(trial.asked)}" if trial.interrupted else _runs(tally.runs)
    wrong = [
        f"{_runs(cases.runs)} {what}"
        for cases, what in (
            (tally.bugs, "met a bug in choreo"),
            (tally.damage, "damaged the machine"),
            (tally.restless, "left an axis moving without a word"),
            (tally.died, "lost with their process"),
        )
        if cases.runs
    ]
    done = sum(group.runs for group in tally.groups.values() if group.exit == Exit.DONE)
    refused = sum(group.runs for group in tally.groups.values() if group.exit == Exit.REFUSED)
    wrong += [f"{_runs(refused)} refused"] if refused else []
    ended = f"{done} done" + (f", {tally.runs - done} ended otherwise, as a run may" if done < tally.runs else "")
    how = ", ".join(wrong) or ended
    quiet = f"; in {_runs(tally.quiet)} no fault acted" if tally.quiet and trial.faults else ""
    return f"{'interrupted after ' if trial.interrupted else ''}{came}: {how}{quiet}"


def trial_json(trial: Trial, command: Callable[[int], str]) -> str:
    """The same figures; computed floats carry six significant digits, as in `summary.json`."""
    tally = trial.tally
    made = {
        "trial": VERSION,
        "title": trial.title,
        "machine": trial.machine,
        "asked": trial.asked,
        "runs": tally.runs,
        "interrupted": trial.interrupted,
        "first_seed": trial.first_seed,
        "without_a_fault_acting": tally.quiet,
        "endings": [{**_plain(group), "command": command(group.seed)} for group in tally.in_order()],
        **{name: _plain(getattr(tally, name)) for name in ("stopping", "skews", "closest")},
        **{name: _plain(getattr(tally, name)) for name in ("damage", "restless", "bugs", "died")},
        "verdict": verdict(trial),
        "exit": int(tally.exit(interrupted=trial.interrupted)),
    }
    return json.dumps(made, indent=2, ensure_ascii=False) + "\n"


def _row(group: Group) -> tuple[str, ...]:
    acted = sorted(group.faults.items(), key=lambda item: (-item[1], item[0]))
    return (
        str(group.runs),
        str(group.exit),
        group.rule or "done",
        group.axis or "-",
        group.step or "-",
        group.what or "-",
        str(group.unproven or "-"),
        ", ".join(f"{kind} {runs}" for kind, runs in acted) or "-",
        str(group.seed),
    )


def _stopping(trial: Trial, width: int) -> Iterator[str]:
    if trial.tally.stopping:
        caption = (
            "Stopping distances: from the moment the stop began until the axis stood, the worst of all runs; true by "
            "the simulated machine, seen by the readings of its encoder"
        )
        yield from _prose(caption, width)
        rows = [
            (name, *_most(axis.true, axis.unit), *_most(axis.seen, axis.unit), _count(axis.stops, axis.unproven))
            for name, axis in trial.tally.stopping.items()
        ]
        yield from table(_FIGURES, rows, width)


def _count(stops: int, unproven: int) -> str:
    return f"{stops} stops" + (f", {unproven} unproven" if unproven else "")


def _skews(trial: Trial, width: int) -> Iterator[str]:
    if trial.tally.skews:
        yield from _prose("Skew: the worst of all runs, true by the simulated machine, seen by its encoders", width)
        rows = [
            (
                name,
                *_most(pair.true, pair.unit),
                *_most(pair.seen, pair.unit),
                f"stops at {show(pair.trip, pair.unit)}, never {show(pair.structural, pair.unit)}",
            )
            for name, pair in trial.tally.skews.items()
        ]
        yield from table(_FIGURES, rows, width)


def _most(most: Most | None, unit: str) -> tuple[str, str]:
    return ("-", "-") if most is None else (show(most.value, unit, 3), str(most.seed))


def _closest(trial: Trial, width: int) -> Iterator[str]:
    found = sorted(trial.tally.closest.items(), key=lambda item: -item[1].ratio)[:CLOSEST]
    if found:
        yield from _prose("Timeouts: the steps that were done and came closest to theirs", width)
        rows = [
            (
                path,
                step.what,
                f"{step.taken_ns / 1e9:.3f}",
                f"{step.timeout_ns / 1e9:.3f}",
                f"{100 * step.ratio:.0f}",
                str(step.seed),
            )
            for path, step in found
        ]
        yield from table(_CLOSEST, rows, width)


def _never(trial: Trial, width: int) -> Iterator[str]:
    """What must never happen, each case with its seed."""
    tally = trial.tally
    for cases, what in (
        (tally.bugs, "A bug in choreo"),
        (tally.damage, "DAMAGE to the machine"),
        (tally.restless, "MOVED after the end though said to stand"),
        (tally.died, "A process died"),
    ):
        if cases.runs:
            yield ""
            yield f"{what}: {_runs(cases.runs)}"
            yield from _cases(cases, width)


def _cases(cases: Cases, width: int) -> Iterator[str]:
    for case in cases.first:
        yield from _prose(f"seed {case.seed}: {case.what}", width, "  ")
    if cases.runs > len(cases.first):
        yield f"  and {cases.runs - len(cases.first)} more"


def _runs(number: int) -> str:
    return "1 run" if number == 1 else f"{number} runs"


def _prose(text: str, width: int, indent: str = "") -> list[str]:
    return wrap(
        printable(text),
        max(20, min(width, 100)),
        initial_indent=indent,
        subsequent_indent=indent + "  ",
        break_on_hyphens=False,
    )


def _plain(value: Any) -> Any:
    if is_dataclass(value) and not isinstance(value, type):
        return {field.name: _plain(getattr(value, field.name)) for field in fields(value)}
    if isinstance(value, float):
        return float(f"{value:.6g}")
    if isinstance(value, Fraction):
        return str(value)
    if isinstance(value, dict):
        return {key: _plain(item) for key, item in value.items()}
    if isinstance(value, list):
        return [_plain(item) for item in value]
    return value
