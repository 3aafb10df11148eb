"""
Ranges, frozen and exact, that know where they came from.

They are enforced three times by code that shares nothing but this module: when the recipe is read, when the plan is
made, and by the guard on the frame as it leaves.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction

from choreo.wire.words import Setting


@dataclass(frozen=True, slots=True)
class AxisLimits:
    """
    What the recipe and the machine file allow an axis, in the axis' unit and seconds. `origin` says where each value
    stands, as `file:line:column`, by the name of the field.
    """

    travel: tuple[Fraction, Fraction]
    speed: Fraction
    acceleration: Fraction
    jerk: Fraction | None
    quick_stop: Fraction
    tracking: Fraction
    unhomed_speed: Fraction
    unhomed_distance: Fraction
    origin: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class NodeLimits:
    """
    The same, as the wire sees it: what the guard compares a decoded frame with.

    `travel` is in counts of a homed drive, `unhomed_reach` the counts that an axis may go from where it was found.
    `speed_raw` and `unhomed_speed_raw` are the raw values of the highest speeds, `slowest_speed_raw` that of the
    lowest: the larger number where the raw unit of a dialect falls. `settings` are the raw values allowed for each
    setting, both ends included.
    """

    axis: str
    node: int
    travel: tuple[int, int]
    unhomed_reach: int
    speed_raw: int
    unhomed_speed_raw: int
    settings: Mapping[Setting, tuple[int, int]]
    edge: int | None = None  # where the home switch edge may be declared, counts; None: nowhere
    outputs: tuple[int, ...] = ()  # numbers of the outputs that may be switched
    slowest_speed_raw: int = 1
