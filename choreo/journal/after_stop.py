"""What a journal says of an axis after a stop: its record `at_rest` or `unproven` (practice.md P17)."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any


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


def axis_after_stop(kind: str, fields: Mapping[str, Any], unit: str) -> AxisAfterStop:
    """From the record: its kind and fields, and the unit of the axis."""
    return AxisAfterStop(
        axis=fields["axis"],
        unit=unit,
        proven=kind == "at_rest",
        position=fields["position"],
        counts=fields["counts"],
        energised=fields["energised"],
        home_valid=fields["home_valid"],
        load=fields["load"],
        why=fields.get("why", ""),
        next_action=fields["next"],
        outputs=fields.get("outputs", {}),
    )
