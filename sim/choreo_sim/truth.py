"""What is true of a machine, as data: the words in which machine files are read and mechanics are built."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from fractions import Fraction


@dataclass(frozen=True, slots=True)
class BrakeTruth:
    """A holding brake: how long it takes to open and to close, how far the load sinks when it opens (axis units)."""

    release_ns: int
    engage_ns: int
    sag: Fraction
    deceleration: Fraction = Fraction(5000)  # of a moving axis that it closes on, units/s²


@dataclass(frozen=True, slots=True)
class HomeSwitch:
    """Active from `edge` on in the direction `towards` (+1 or -1); a captured edge scatters by at most `scatter`."""

    edge: Fraction
    towards: int
    scatter: Fraction = Fraction(0)


@dataclass(frozen=True, slots=True, kw_only=True)
class AxisTruth:
    """What is true of an axis, in its own unit and seconds, whatever a recipe believes."""

    name: str
    node: int
    dialect: str
    unit: str
    counts_per_unit: Fraction  # above zero
    inverted: bool = False  # counting up moves it in its negative direction
    encoder_at_power_up: int = 0
    start: Fraction
    limit_switches: tuple[Fraction, Fraction]
    buffers: tuple[Fraction, Fraction]
    home: tuple[HomeSwitch, ...]
    vertical: bool = False
    brake: BrakeTruth | None = None
    lag_ns: int = 2_000_000
    noise_counts: int = 0  # two readings at rest differ by at most this
    friction: Fraction = Fraction(400)  # deceleration without power, units/s²
    reply_ns: tuple[int, int] | None = None  # shortest and longest processing time; None: as the dialect allows
    reply_factor: Fraction = Fraction(1)  # how many times as long it takes in this run
    settings: Mapping[str, int] = field(default_factory=dict)  # raw, at power-up


@dataclass(frozen=True, slots=True)
class BeamTruth:
    """Two axes that carry one beam: the skew that damages it, and how hard it pulls when racked (N per unit)."""

    name: str
    sides: tuple[str, str]
    structural: Fraction
    stiffness: Fraction = Fraction(0)


@dataclass(frozen=True, slots=True, kw_only=True)
class InputTruth:
    """
    What a digital input of the drive of `axis` reads. `level` (True: high) is what it reads at first, until `changes`
    (times in ns since the beginning, in order); or beyond a `position` (the axis that is meant, where, and on which
    side: +1 or -1); or so long after an `output` was switched on (its axis, its number, the delay in ns).
    """

    name: str
    axis: str
    bit: str
    level: bool
    changes: tuple[tuple[int, bool], ...] = ()
    position: tuple[str, float, int] | None = None
    output: tuple[str, int, int] | None = None


@dataclass(frozen=True, slots=True)
class Damage:
    """Something that must never happen to the machine, and did."""

    t_ns: int
    what: str
