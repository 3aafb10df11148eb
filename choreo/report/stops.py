"""What a stop left behind, per axis (practice.md P17)."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from choreo.journal import Journal


@dataclass(frozen=True, slots=True)
class AxisAfterStop:
    """
    One axis after a stop. `position` is in the axis' unit, None when it was never read; `energised` None when unknown;
    `load` is loaded, empty or unknown; `why` it is proven or not; `next_action` the next safe one.
    """

    axis: str
    unit: str
    proven: bool
    position: float | None
    counts: int | None
    energised: bool | None
    home_valid: bool
    load: str
    why: str
    next_action: str
    outputs: Mapping[str, str] = field(default_factory=dict)  # of its drive, as the run left them


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
        AxisAfterStop(
            axis.name,
            axis.unit,
            record.kind == "at_rest",
            record.fields["position"],
            record.fields["counts"],
            record.fields["energised"],
            record.fields["home_valid"],
            record.fields["load"],
            record.fields.get("why", ""),
            record.fields["next"],
            record.fields.get("outputs", {}),
        )
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
