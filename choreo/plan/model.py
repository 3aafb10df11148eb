"""
What a plan is. Exact numbers are Fractions in the axis' own unit (mm, deg, rev) and seconds; times are integer
nanoseconds; what goes on the wire is an integer of counts or a raw value.

Positions are counted from an anchor. Before an axis is homed the anchor is where it was found (`Anchor.START`, offset
0); afterwards it is the machine's zero (`Anchor.HOME`). Counts of a target are `anchor_counts + round(offset * scale)`,
so a chain of `by` moves ends where the exact sum says and carries no rounding from step to step.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from fractions import Fraction
from pathlib import Path

from choreo.diagnostic import Span
from choreo.limits import AxisLimits, NodeLimits
from choreo.motion.profile import Profile
from choreo.motion.scaling import to_counts
from choreo.plan.signals import CERTAIN, Demands, InputPlan, OutputPlan, Spread
from choreo.wire.dialect import Dialect
from choreo.wire.words import Setting


class Anchor(StrEnum):
    """From where the positions of an axis are counted."""

    START = "start"
    HOME = "home"


@dataclass(frozen=True, slots=True)
class Brake:
    """A holding brake that the drive switches: time to release, time to engage, the sag allowed on release."""

    release_ns: int
    engage_ns: int
    sag: Fraction


@dataclass(frozen=True, slots=True)
class AxisPlan:
    """One axis. `counts_per_unit` is negative where counting up moves the axis in its negative direction."""

    index: int
    name: str
    node: int
    dialect: str
    unit: str
    counts_per_unit: Fraction
    pair: str | None
    vertical: bool
    brake: Brake | None
    lag_ns: int  # the position loop's lag: a first-order time constant, declared
    noise_counts: int  # two readings of an axis that stands differ by at most this
    limits: AxisLimits
    reply_timeout_ns: int  # worst-case response time on this bus, with margin
    scale: Mapping[str, Fraction] = field(default_factory=dict, hash=False)  # what a drive may be asked about it (P26)

    def counts(self, offset: Fraction) -> int:
        """`round(offset * counts_per_unit)`, half up: the counts of a position from its anchor."""
        return to_counts(offset, self.counts_per_unit)


@dataclass(frozen=True, slots=True)
class PairPlan:
    """Two axes that carry one beam."""

    name: str
    axes: tuple[int, int]
    trip: Fraction
    structural: Fraction


@dataclass(frozen=True, slots=True)
class AxisMove:
    """
    One axis' part of a move. `start` and `target` are exact offsets from `anchor`; the profile's distance is their
    difference in the axis' unit, its speed and ramps are what the raw values really mean.
    """

    axis: int
    anchor: Anchor
    start: Fraction
    target: Fraction
    speed_raw: int
    speed: Fraction
    acceleration: Fraction
    jerk: Fraction | None
    profile: Profile
    duration_ns: int
    onset_ns: int | None  # must be seen moving this long after the trigger (P5); None: too small to be seen
    place: Span | None = None  # where its target is written
    speed_place: Span | None = None  # where its speed is written, in the step or in the settings
    start_spread: Spread = CERTAIN  # how far from `start` it may begin, after a move that an input ended
    target_spread: Spread = CERTAIN  # how far from `target` it may end: a `by` from such a place

    @property
    def loose(self) -> bool:
        """Whether its way is known to the run only. Its profile is then that of the longest way that it may be."""
        return self.start_spread != CERTAIN


@dataclass(frozen=True, slots=True)
class LinkCheck:
    """Counted exchanges with each axis' node."""

    axes: tuple[int, ...]
    exchanges: int


@dataclass(frozen=True, slots=True)
class Configure:
    """Settings by axis: raw values, in the order in which they are written."""

    values: tuple[tuple[int, Mapping[Setting, int]], ...]


@dataclass(frozen=True, slots=True)
class Enable:
    """Power, then brake released, then a look for sag."""

    axes: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Disable:
    """Brake, then power off."""

    axes: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Home:
    """
    Homing of one axis, or of a pair together (P19), on the home switch.

    `towards` is +1 or -1 in the axis' unit. `home_at` is where each axis' switch edge lies; on a pair their difference
    is the stored square offset. Afterwards the axes are moved to `rest_at`, from where the plan goes on exactly.
    """

    axes: tuple[int, ...]
    towards: int
    search_raw: tuple[int, ...]
    search: Fraction
    crawl_raw: tuple[int, ...]
    crawl: Fraction
    back_off: Fraction
    within: Fraction
    square_limit: Fraction
    shift_limit: Fraction | None  # how far an edge may have moved since the last homing; None: not looked at
    home_at: tuple[Fraction, ...]
    rest_at: Fraction
    square_torque_raw: int | None  # torque limit while squaring, raw; None: not changed
    acceleration: tuple[Fraction, ...]
    jerk: tuple[Fraction | None, ...]


@dataclass(frozen=True, slots=True)
class Preload:
    """Moves that are loaded and wait for the trigger."""

    moves: tuple[AxisMove, ...]


@dataclass(frozen=True, slots=True)
class Trigger:
    """The start: the moves that must be loaded when it is sent, no more and no fewer (P3)."""

    moves: tuple[AxisMove, ...]


@dataclass(frozen=True, slots=True)
class WaitForPosition:
    """Each axis within `within[i]` of its target for `settle_ns` without a break."""

    axes: tuple[int, ...]
    within: tuple[Fraction, ...]
    settle_ns: int


@dataclass(frozen=True, slots=True)
class Move:
    """Preload, trigger and wait in one; groups one after the other."""

    groups: tuple[tuple[AxisMove, ...], ...]
    within: Mapping[int, Fraction]  # by axis index
    settle_ns: int


@dataclass(frozen=True, slots=True)
class Dwell:
    """Let time pass; everything stays watched."""

    ns: int


@dataclass(frozen=True, slots=True)
class Expect:
    """An axis stands where the recipe says."""

    axis: int
    position: Fraction
    within: Fraction


@dataclass(frozen=True, slots=True)
class WaitFor:
    """Nothing goes on until an input (by index) reads so."""

    input: int
    on: bool


@dataclass(frozen=True, slots=True)
class MoveUntil:
    """
    One axis or pair on its way until an input reads so, and to the target of `moves` at the most. Where it was seen
    must lie `between`, counted from the axis' anchor. `leaves` is how far from the target it may have come to rest.
    """

    moves: tuple[AxisMove, ...]
    input: int
    on: bool
    between: tuple[Fraction, Fraction] | None
    leaves: tuple[Spread, ...]


@dataclass(frozen=True, slots=True)
class SetOutput:
    """Outputs (by index) and their levels, in the order in which they are switched."""

    values: tuple[tuple[int, bool], ...]


@dataclass(frozen=True, slots=True)
class Confirm:
    """A person says yes to it before anything goes on."""

    question: str


@dataclass(frozen=True, slots=True)
class ResetFault:
    """Faults of drives that are reset after a person has said yes to `question`, and then only (P17)."""

    axes: tuple[int, ...]
    question: str


Action = (
    LinkCheck
    | Configure
    | Enable
    | Disable
    | Home
    | Preload
    | Trigger
    | WaitForPosition
    | Move
    | Dwell
    | Expect
    | WaitFor
    | MoveUntil
    | SetOutput
    | Confirm
    | ResetFault
)


@dataclass(frozen=True, slots=True)
class Scope:
    """A part of the run that has a name (`record`), each pass through it a scope of its own; `path` as of a step."""

    name: str
    path: str


@dataclass(frozen=True, slots=True)
class Left:
    """
    How a stopped run left an axis (P17), as its journal says: `counts` of the drive, whether they count from the
    machine's zero, whether it is under power, the code of its fault (0: none).
    """

    axis: int
    counts: int
    home_valid: bool
    energised: bool
    fault: int = 0


@dataclass(frozen=True, slots=True)
class StepPlan:
    """One step as it will be executed; a `repeat` is already unrolled."""

    id: int  # from 0, in order of execution; closing steps go on counting
    path: str  # as a reader of the recipe counts: "9.3 (2 of 5)"
    verb: str
    label: str
    place: Span
    predicted_ns: int
    timeout_ns: int
    action: Action
    scopes: tuple["Scope", ...] = ()  # the named parts of the run that it belongs to, outermost first
    source: int = 0  # the serial number of the recipe's step behind it


@dataclass(frozen=True, slots=True)
class Plan:
    """The whole of it."""

    title: str
    machine: str
    simulated: str | None  # the machine truth that a dry-run uses
    bit_rate: int
    poll_ns: int
    pace: Fraction
    axes: tuple[AxisPlan, ...]
    pairs: tuple[PairPlan, ...]
    dialects: Mapping[str, Dialect] = field(compare=False)  # `hashes` holds what they were made of
    dialect_files: Mapping[str, Path]
    node_limits: tuple[NodeLimits, ...]
    steps: tuple[StepPlan, ...]
    closing: tuple[StepPlan, ...]
    parameters: Mapping[str, str]  # as set, in words
    hashes: Mapping[str, str]  # sha-256 of recipe, machine and dialect files, by file name
    retreat: str | None = None  # the `after_stop` sequence that this is the plan of
    inputs: tuple[InputPlan, ...] = ()
    outputs: tuple[OutputPlan, ...] = ()
    demands: Demands = field(default_factory=Demands)
    adapter_ns: int = 0  # what a real adapter is declared to add to a reply, at the longest
    left: tuple[Left, ...] = ()  # by axis: how the run before left them; empty for a run that begins anew
