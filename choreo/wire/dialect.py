"""
What a compiled dialect offers to the rooms above, whatever family it belongs to.

`described` compiles one from a YAML file, `cia402` has the open standard's. Raw values are the integers on the
wire; a `RawScale` says what they mean in counts.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal, Protocol

from choreo.frame import Frame
from choreo.wire.words import FrameClass, Setting


@dataclass(frozen=True, slots=True)
class RawScale:
    """
    A linear raw unit: `physical = raw * step`, physical in counts, counts/s, counts/s², counts/s³ or per cent.

    `special` are raw values that mean something else ("no limit"); they are never produced by rounding (P24).
    """

    step: Fraction
    minimum: int
    maximum: int
    rounding: Literal["down", "up", "nearest"] = "down"
    special: Mapping[int, str] | None = None

    def to_raw(self, physical: Fraction) -> int:
        """The raw value for `physical` (not negative), rounded as the dialect says; ValueError if out of range."""
        exact = physical / self.step
        if self.rounding == "down":
            raw = exact.numerator // exact.denominator
        elif self.rounding == "up":
            raw = -(-exact.numerator // exact.denominator)
        else:
            raw = (exact + Fraction(1, 2)).__floor__()
        if not self.minimum <= raw <= self.maximum:
            raise ValueError(f"raw value {raw} is outside {self.minimum} to {self.maximum}")
        if self.special and raw in self.special:
            raise ValueError(f"raw value {raw} means {self.special[raw]!r}")
        return raw

    def from_raw(self, raw: int) -> Fraction:
        """What a raw value means."""
        return raw * self.step


@dataclass(frozen=True, slots=True)
class LoadRules:
    """What a loaded move is in this dialect (practice.md P1). A dialect must say all of it."""

    second_load: Literal["replaces", "queues", "adds", "refused"]
    at_trigger: Literal["consumed", "kept"]
    cleared_by: frozenset[str]  # "clear_load", "stop", "quick_stop", "disable"
    survives: frozenset[str]  # "stop", "quick_stop", "disable", "power_cycle"
    relative_to: Literal["target", "demand", "actual", "never"]  # "never": the dialect loads absolute targets only


@dataclass(frozen=True, slots=True)
class Timing:
    """How fast the drives of a dialect are."""

    reply_within_ns: int  # the longest time from a request on the wire to the start of the reply
    gap_ns: int  # shortest time between two requests to one node
    cycle_ns: int  # the drive's internal cycle: a trigger takes effect up to one cycle later (P32)
    latch_ns: int  # from the trigger's last bit to the start of motion, without the cycle


@dataclass(frozen=True, slots=True)
class Decoded:
    """One frame taken apart: `node` None for a broadcast, `values` by field name, as they are on the wire."""

    message: str
    frame_class: FrameClass
    node: int | None
    values: Mapping[str, int]
    from_drive: bool  # a reply or an event, not a request


class Dialect(Protocol):
    """A compiled dialect."""

    name: str
    family: Literal["described", "cia402"]
    node_range: tuple[int, int]
    settings: Mapping[Setting, RawScale]
    move_speed: RawScale  # the speed that goes with a move or a load
    position_range: tuple[int, int]  # counts that the wire can hold
    loads: LoadRules
    stop_ramp: Setting  # which setting decelerates a stop
    quick_stop_ramp: Setting
    position_is: Literal["actual", "demanded"]
    can_latch: bool
    counter_modulus: int  # of the counted echo
    timing: Timing
    profile: Literal["trapezoid", "jerk_limited"]
    poll_bytes: tuple[int, int]  # data bytes of a position request and of its reply

    def setting_by_number(self, number: int) -> Setting | None:
        """Which setting a number on the wire names; None for one that choreo does not know by meaning."""
        ...

    def decode(self, frame: Frame) -> Decoded | None:
        """Take any frame of this dialect apart, request, reply or event; None if it is none of the dialect's."""
        ...
