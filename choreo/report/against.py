"""A real run against its rehearsal: how much longer each step took."""

from collections.abc import Iterator
from dataclasses import dataclass

from choreo.report.steps import StepRow
from choreo.report.summary import Summary
from choreo.report.table import Column, printable, table
from choreo.report.text import what

#: So many steps are shown, those that differ the most.
SHOWN = 5

_COLUMNS = (
    Column("step", right=False),
    Column("what", right=False, shrinks=14),
    Column("rehearsed"),
    Column("taken"),
    Column("longer by ms"),
)


@dataclass(frozen=True, slots=True)
class Difference:
    """One step that was done in both: what it took, and by how much longer than in the rehearsal (ns)."""

    row: StepRow
    rehearsed_ns: int

    @property
    def longer_ns(self) -> int:
        """Negative where it took less."""
        return (self.row.taken_ns or 0) - self.rehearsed_ns


def differences(summary: Summary, rehearsal: Summary) -> list[Difference]:
    """Of every step that was done in both runs, in order. Steps that wait for a person are left out."""
    before = {row.step.path: row for row in rehearsal.steps if row.outcome == "done" and row.taken_ns is not None}
    return [
        Difference(row, before[row.step.path].taken_ns or 0)
        for row in summary.steps
        if row.outcome == "done" and row.step.path in before and row.step.verb not in ("confirm", "reset_fault")
    ]


def against_lines(summary: Summary, rehearsal: Summary, width: int) -> Iterator[str]:
    """In words, and the steps that differ the most, with an empty line behind; nothing where no step was done."""
    found = differences(summary, rehearsal)
    if not found:
        return
    whole = sum(one.longer_ns for one in found) / 1e6
    most = max(found, key=lambda one: abs(one.longer_ns))
    yield printable(
        f"Against the rehearsal: {len(found)} steps took {sum(one.row.taken_ns or 0 for one in found) / 1e9:.3f} s, "
        f"{whole:+.1f} ms; at most {most.longer_ns / 1e6:+.1f} ms in one, step {most.row.step.path}"
    )
    shown = sorted(found, key=lambda one: -abs(one.longer_ns))[:SHOWN]
    rows = [
        (
            one.row.step.path,
            what(one.row.step.verb, one.row.step.label),
            f"{one.rehearsed_ns / 1e9:.3f}",
            f"{(one.row.taken_ns or 0) / 1e9:.3f}",
            f"{one.longer_ns / 1e6:+.1f}",
        )
        for one in shown
    ]
    yield from table(_COLUMNS, rows, width)
    yield ""
