"""
What a compiled dialect offers to the rooms above, whatever family it belongs to.

`described` compiles one from a YAML file, `cia402` has the open standard's. Raw values are the integers on the
wire; a `RawScale` says what they mean in counts.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Literal, NamedTuple, Protocol

from choreo.frame import Frame
from choreo.wire.words import FrameClass, Setting

Rounding = Literal["down", "up", "nearest"]


class Scale(Protocol):
    """
    What the raw integers of a setting, or of the speed of a move, mean: counts, counts/s, counts/s², counts/s³, or %.

    `minimum` and `maximum` are raw. A scale may fall: then `minimum` has the largest meaning. `rounding: down` is
    always towards the smaller meaning.
    """

    @property
    def minimum(self) -> int:
        """The smallest raw value."""
        ...

    @property
    def maximum(self) -> int:
        """The largest raw value."""
        ...

    @property
    def rounding(self) -> Rounding:
        """Where a value between two raw ones goes."""
        ...

    @property
    def special(self) -> Mapping[int, str] | None:
        """Raw values that mean something else; never produced by rounding (P24)."""
        ...

    @property
    def floor(self) -> Fraction:
        """The smallest meaning that a raw value has."""
        ...

    @property
    def ceiling(self) -> Fraction:
        """The largest meaning that a raw value has."""
        ...

    @property
    def slowest(self) -> int:
        """The lawful raw value with the smallest meaning above zero: not always the smallest raw value."""
        ...

    def to_raw(self, physical: Fraction) -> int:
        """The raw value for `physical` (not negative), rounded as the dialect says; ValueError if out of range."""
        ...

    def from_raw(self, raw: int) -> Fraction:
        """What a raw value means. Raises ValueError where it means nothing (a code that is in no table)."""
        ...

    def at_most(self, physical: Fraction) -> int | None:
        """The lawful raw value with the largest meaning that is not above `physical`; None when all are above it."""
        ...


@dataclass(frozen=True, slots=True)
class RawScale:
    """
    A linear raw unit: `physical = raw * step`, physical in counts, counts/s, counts/s², counts/s³ or per cent.

    `special` are raw values that mean something else ("no limit"); they are never produced by rounding (P24).
    """

    step: Fraction
    minimum: int
    maximum: int
    rounding: Rounding = "down"
    special: Mapping[int, str] | None = None

    @property
    def floor(self) -> Fraction:
        """The smallest meaning."""
        return self.minimum * self.step

    @property
    def ceiling(self) -> Fraction:
        """The largest meaning."""
        return self.maximum * self.step

    @property
    def slowest(self) -> int:
        """The smallest raw value that means more than nothing and nothing else: at least 1."""
        raw = max(self.minimum, 1)
        while self.special and raw in self.special:
            raw += 1
        return raw

    def at_most(self, physical: Fraction) -> int | None:
        """The largest lawful raw value that means `physical` or less; None when even the smallest is more."""
        raw = min(physical // self.step, self.maximum)
        while self.special and raw in self.special:
            raw -= 1
        return raw if raw >= self.slowest else None

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
    outstanding: int | None = None  # requests that may be out over all nodes of the dialect; None: any number
    quiet: Mapping[str, int] = field(default_factory=dict, hash=False)  # ns of silence after a message, by its name


@dataclass(frozen=True, slots=True)
class Watchdog:
    """The drive stops by itself when it hears nothing for `within_ns`. `fed_by` names messages; None: any frame."""

    within_ns: int
    fed_by: frozenset[str] | None
    then: Literal["stop", "quick_stop", "disable"]


@dataclass(frozen=True, slots=True)
class ScaleSetting:
    """A setting of the drive that says what a count is (P26): its number, and what one raw step of it means."""

    number: int
    step: Fraction  # counts for `counts_per_motor_rev`


@dataclass(frozen=True, slots=True)
class Decoded:
    """One frame taken apart: `node` None for a broadcast, `values` by field name, as they are on the wire."""

    message: str
    frame_class: FrameClass
    node: int | None
    values: Mapping[str, int]
    from_drive: bool  # a reply or an event, not a request


#: The addressee of a frame to all drives of a dialect.
TO_ALL = -1


class Several(NamedTuple):
    """A message of so many frames, with so much time between them in all."""

    frames: int
    gaps_ns: int


class Dialect(Protocol):
    """A compiled dialect."""

    name: str
    family: Literal["described", "cia402"]
    node_range: tuple[int, int]
    settings: Mapping[Setting, Scale]
    move_speed: Scale  # the speed that goes with a move or a load
    position_range: tuple[int, int]  # counts that the wire can hold
    watchdog: Watchdog | None
    event_periods: Mapping[str, int]  # ns from one event of a kind to the next, where they are to be expected
    scale_settings: Mapping[str, "ScaleSetting"]  # what says what a count is (P26), by name
    permanent_settings: frozenset[Setting]  # what a power cycle does not forget, and wears when written (P23)
    loads: LoadRules
    stop_ramp: Setting  # which setting decelerates a stop
    quick_stop_ramp: Setting
    position_is: Literal["actual", "demanded"]
    can_latch: bool
    counter_modulus: int  # of the counted echo
    timing: Timing
    profile: Literal["trapezoid", "jerk_limited"]
    position_message: str  # whose reply has the position
    poll_bytes: tuple[int, int]  # data bytes of a position request and of its reply

    @property
    def extended(self) -> bool:
        """Whether its identifiers have 29 bits."""
        ...

    @property
    def event_bytes(self) -> Mapping[str, int]:
        """Data bytes of the events that are to be expected, by kind."""
        ...

    @property
    def start_frame(self) -> Frame | None:
        """The one frame that starts all loaded drives; None where it is another each time, or there is none."""
        ...

    @property
    def stop_frames(self) -> tuple[Frame, ...]:
        """The frames that stop all drives, where the dialect has such."""
        ...

    def identifiers(self, nodes: Iterable[int]) -> tuple[int, ...]:
        """Of the frames to and from these nodes alone, each once."""
        ...

    def addressee(self, identifier: int) -> int | None:
        """
        The node to or from which a frame with this identifier would be, `TO_ALL` for one to all of them; None for an
        identifier that belongs to none of the dialect's frames.
        """
        ...

    @property
    def speed_is_set(self) -> bool:
        """Whether a load carries no speed: it is a setting, which is written before the load."""
        ...

    @property
    def several(self) -> Mapping[str, "Several"]:
        """Messages of several frames, named `preload.1`, `preload.2`."""
        ...

    @property
    def input_names(self) -> tuple[str, ...]:
        """The bits that a drive's inputs are read as; empty where they cannot be read."""
        ...

    @property
    def input_bytes(self) -> tuple[int, int]:
        """Data bytes of a request for the inputs and of its reply; both 0 where they cannot be read."""
        ...

    @property
    def output_range(self) -> tuple[int, int] | None:
        """Numbers that an output may have on the wire; None where no output can be switched."""
        ...

    def setting_by_number(self, number: int) -> Setting | None:
        """Which setting a number on the wire names; None for one that choreo does not know by meaning."""
        ...

    def decode(self, frame: Frame) -> Decoded | None:
        """Take any frame of this dialect apart, request, reply or event; None if it is none of the dialect's."""
        ...
