"""What inputs decided: where each `move_until` found its input, how long each `wait_for` waited."""

from collections.abc import Mapping
from dataclasses import dataclass

from choreo.journal import Journal


@dataclass(frozen=True, slots=True)
class UntilRow:
    """
    One axis sent on its way until an input reads `level`. `seen` is where it was when the input was first read so, and
    it may have come as much as `give` earlier; both None where the way ended without it. `rest` is where it came to
    rest. All in the axis' unit.
    """

    step: str
    axis: str
    unit: str
    input: str
    level: str
    seen: float | None
    give: float | None
    rest: float


@dataclass(frozen=True, slots=True)
class WaitRow:
    """One wait for an input, and how long it was."""

    step: str
    input: str
    level: str
    after_ns: int


def until_rows(journal: Journal) -> tuple[UntilRow, ...]:
    """One row an axis, in order."""
    paths = {step.id: step.path for step in journal.steps}
    return tuple(
        UntilRow(
            step="" if record.step is None else paths.get(record.step, ""),
            axis=record.fields["axis"],
            unit=journal.axis(record.fields["axis"]).unit,
            input=record.fields["input"],
            level=record.fields["level"],
            seen=record.fields["seen"],
            give=record.fields["give"],
            rest=record.fields["rest"],
        )
        for record in journal.of("until")
    )


def wait_rows(journal: Journal) -> tuple[WaitRow, ...]:
    """One row a wait, in order."""
    paths = {step.id: step.path for step in journal.steps}
    return tuple(
        WaitRow(
            "" if record.step is None else paths.get(record.step, ""),
            record.fields["input"],
            record.fields["level"],
            record.fields["after_ns"],
        )
        for record in journal.of("awaited")
    )


def ended_by_input(journal: Journal) -> Mapping[str, list[int]]:
    """By axis: when an input was seen that ended its motion. From then on it does not follow its profile any more."""
    found: dict[str, list[int]] = {}
    for record in journal.of("until"):
        if record.fields["seen_ns"] is not None:
            found.setdefault(record.fields["axis"], []).append(record.fields["seen_ns"])
    return found
