"""What a stop left behind, per axis (practice.md P17)."""

from dataclasses import dataclass

from choreo.journal import Journal
from choreo.journal.after_stop import AxisAfterStop, axis_after_stop


@dataclass(frozen=True, slots=True)
class Stop:
    """Why and where a run was stopped, and every axis afterwards. An axis without a word is one of `unheard`."""

    cause: str
    rule: str
    exit: int
    t_ns: int
    step: str
    axis: str | None
    axes: tuple[AxisAfterStop, ...]
    unheard: tuple[str, ...]


def stop_of(journal: Journal) -> Stop | None:
    """The stop of a run; None for one that was not stopped."""
    stopping = next(journal.of("stopping"), None)
    if stopping is None:
        return None
    last = {
        record.fields["axis"]: record
        for record in journal.records
        if record.kind in ("at_rest", "unproven") and record.t_ns >= stopping.t_ns
    }
    axes = tuple(
        axis_after_stop(record.kind, record.fields, axis.unit)
        for axis in journal.axes
        if (record := last.get(axis.name)) is not None
    )
    paths = {step.id: step.path for step in journal.steps}
    fields = stopping.fields
    return Stop(
        fields["cause"],
        fields["rule"],
        fields["exit"],
        stopping.t_ns,
        paths.get(fields["step"], ""),
        fields["axis"],
        axes,
        tuple(axis.name for axis in journal.axes if axis.name not in last),
    )
