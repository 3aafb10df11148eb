"""What is kept of one run of a trial: plain data, small, the same in every process."""

from dataclasses import dataclass, field
from fractions import Fraction


@dataclass(frozen=True, slots=True)
class AxisStop:
    """
    How far an axis went from the moment the stop began until it stood, in its unit: by the simulator's truth (None
    where there is none) and by what its readings say (None where it was not read). `proven` as the journal has it.
    `stayed`: whether it truly stood when the run was over; None when the truth is not known.
    """

    axis: str
    unit: str
    true: float | None
    seen: float | None
    proven: bool
    stayed: bool | None


@dataclass(frozen=True, slots=True)
class RunSkew:
    """The largest skew of a pair in a run, in its unit, true and seen; and what it may be at the most."""

    pair: str
    unit: str
    true: float | None
    seen: float | None
    trip: Fraction
    structural: Fraction


@dataclass(frozen=True, slots=True)
class StepTime:
    """A step that was done: what it took, and its time limit. `path` and `what` as in reports."""

    path: str
    what: str
    taken_ns: int
    timeout_ns: int

    @property
    def ratio(self) -> float:
        """Taken to timeout."""
        return self.taken_ns / self.timeout_ns


@dataclass(frozen=True, slots=True)
class Ending:
    """
    How a run ended. `step` and `what` say where; `axis` and `rule` are those of the cause, empty when it was done.

    `restless` are the axes that truly moved after the end though they were said to stand; `damage` what broke in the
    machine's truth; `faults` the kinds of scripted faults that acted; `bug` the traceback of choreo's own mistake.
    """

    seed: int
    exit: int
    headline: str
    rule: str = ""
    axis: str = ""
    step: str = ""
    what: str = ""
    taken_ns: int = 0
    stops: tuple[AxisStop, ...] = ()
    skews: tuple[RunSkew, ...] = ()
    steps: tuple[StepTime, ...] = field(default=(), repr=False)
    restless: tuple[str, ...] = ()
    damage: tuple[str, ...] = ()
    faults: tuple[str, ...] = ()
    bug: str = ""

    @property
    def unproven(self) -> tuple[str, ...]:
        """The axes that could not be proven to stand, and of which that was said."""
        return tuple(stop.axis for stop in self.stops if not stop.proven)
