"""
The one place where choreo meets a bus and a clock.

Bus and clock are one port because a frame and its time of arrival share a time base. Times are integer nanoseconds of
the link's own monotonic clock. The session waits in `receive_until` and nowhere else.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import Protocol, runtime_checkable

from choreo.frame import Frame


@dataclass(frozen=True, slots=True)
class Interrupt:
    """
    Somebody wants the machine stopped. Overtakes frames and every other event. `by_operator` is False where it was no
    person: the run then ends as it does for a fault.
    """

    reason: str
    by_operator: bool = True


@dataclass(frozen=True, slots=True)
class Answer:
    """A line that the operator typed, or that something answered in the operator's place: `by` says which."""

    text: str
    by: str = "operator"


@dataclass(frozen=True, slots=True)
class AdapterLost:
    """The adapter raised, vanished, or hung. No further frame will come or go."""

    reason: str


@dataclass(frozen=True, slots=True)
class Confirmed:
    """A frame that was submitted with `confirm=True` has left on the wire at `t_ns`, as far as the link can know."""

    frame: Frame
    t_ns: int


@dataclass(frozen=True, slots=True)
class BusTrouble:
    """Error frames or a change of the controller's error state, in words; `t_ns` as for frames."""

    what: str
    t_ns: int


Event = Interrupt | Answer | AdapterLost | Confirmed | BusTrouble


class Link(Protocol):
    """What the session may rely on; `tests/conformance/` checks each sentence on every link."""

    def now_ns(self) -> int:
        """The link's monotonic time."""
        ...

    def submit(self, frame: Frame, *, confirm: bool = False) -> None:
        """
        Hand a frame over for sending, first in, first out. Never blocks and never raises: a failure becomes an event.

        At most two frames are in the adapter at a time; the others wait in the link's outbox, where `withdraw` still
        reaches them. With `confirm`, a `Confirmed` event follows when the frame has left.
        """
        ...

    def withdraw(self, unwanted: Callable[[Frame], bool]) -> list[Frame]:
        """Take back every frame of the outbox for which `unwanted` is true, and return them in order."""
        ...

    def unsent(self) -> int:
        """How many submitted frames are not yet known to have left, in the outbox or in the adapter."""
        ...

    def post(self, event: Event) -> None:
        """Put an event in front of the session. Safe from a signal handler and from any thread."""
        ...

    async def receive_until(self, deadline_ns: int) -> Frame | Event | None:
        """
        The next event or frame, in order of arrival; None when `deadline_ns` has come and there is nothing.

        An `Interrupt` overtakes everything. Frames that choreo submitted itself do not come back. What has arrived is
        returned even when the deadline has passed. After `AdapterLost` nothing but events and deadlines follows.
        """
        ...

    def close(self) -> None:
        """Release the adapter. Idempotent."""
        ...


@dataclass(frozen=True, slots=True)
class SimulatedAxis:
    """What a simulated machine is told of an axis by the recipe. Only used where no machine truth is named."""

    name: str
    node: int
    dialect: str
    dialect_file: Path
    counts_per_unit: Fraction  # signed: negative where positive counts move the axis in the negative direction
    travel: tuple[Fraction, Fraction]
    load: str  # "horizontal" or "vertical"
    pair: str | None
    brake: tuple[int, int] | None = None  # times to release and to engage, ns; None: no brake is declared
    lag_ns: int = 0  # of the position loop, as declared
    noise_counts: int = 0
    scale: Mapping[str, int] = field(default_factory=dict)  # what the drive's scale settings read, raw, by name (P26)


@dataclass(frozen=True, slots=True)
class SimulatedLeft:
    """
    How an earlier run left a drive: the counts that it tells, whether they count from the machine's zero, whether it
    has power, the code of its fault (0: none).
    """

    node: int
    counts: int
    homed: bool
    powered: bool
    fault: int = 0


@dataclass(frozen=True, slots=True)
class SimulatedInput:
    """An input of the drive of `axis` on a nominal machine: the bit's name and what it reads, True for high."""

    axis: str
    bit: str
    level: bool


@dataclass(frozen=True, slots=True)
class SimulatedCue:
    """
    What a nominal machine's input does when the step at `path` has begun: it reads `level` after `after_ns`; or beyond
    the half of the `way`, in its unit, that the axis `moved` is about to go at the most.
    """

    path: str
    axis: str
    bit: str
    level: bool
    after_ns: int = 0
    moved: str | None = None
    way: Fraction = Fraction(0)


@dataclass(frozen=True, slots=True)
class SimulationRequest:
    """Everything that decides a simulated bus: the same request gives the same bus, bit for bit."""

    machine: str | None  # the name of a machine truth, or None for a nominal machine derived from the axes
    axes: tuple[SimulatedAxis, ...]
    bit_rate: int
    seed: int = 0
    faults: Path | None = None
    options: Mapping[str, str] = field(default_factory=dict)
    left: tuple[SimulatedLeft, ...] = ()  # drives that do not begin as after switching on
    inputs: tuple[SimulatedInput, ...] = ()  # of a nominal machine
    cues: tuple[SimulatedCue, ...] = ()  # of a nominal machine, by step


@dataclass(frozen=True, slots=True)
class Happened:
    """Something that became of a simulated machine: when, by the link's clock; what; the fault's kind and its axis."""

    t_ns: int
    what: str
    kind: str = ""
    axis: str | None = None


@dataclass(frozen=True, slots=True)
class Truth:
    """
    What is true of a simulated machine at one moment, whatever its encoders say: for trials and tests, never for a
    session. `positions` are by node, in the axis' unit, from the machine's own zero; `skews` by the nodes of both
    sides, in the same unit: the largest since the truth was first asked for. `damage` is what broke, `faults` which
    scripted faults have acted, both since the beginning.
    """

    t_ns: int
    positions: Mapping[int, float]
    skews: Mapping[tuple[int, int], float]
    damage: tuple[Happened, ...]
    faults: tuple[Happened, ...]


@runtime_checkable
class Truthful(Protocol):
    """What a simulated link may offer besides."""

    def truth(self, after_ns: int = 0) -> Truth:
        """
        The truth of now. `after_ns` lets so much time pass first, in which nobody sends anything but what is on its
        way: only for when a session is over.
        """
        ...


@dataclass(frozen=True, slots=True)
class Script:
    """
    What became of a fault file: what acted, and when; the entries that did not act; what was drawn from the seed, as
    entries that say it outright; and a whole file of those, which gives the same run without drawing.
    """

    acted: tuple[Happened, ...]
    idle: tuple[str, ...]
    drawn: tuple[str, ...]
    explicit: str


@runtime_checkable
class Scripted(Protocol):
    """What a simulated link may offer besides."""

    def script(self) -> Script | None:
        """What became of its fault file so far; None without one. Never for a session."""
        ...


@runtime_checkable
class HearsSteps(Protocol):
    """
    What a link may offer besides: a simulated one lets faults wait for a step. It learns nothing else, and nothing
    comes back: a run on a link that hears its steps and on one that does not is the same.
    """

    def step_begins(self, path: str, label: str, verb: str) -> None:
        """The step at this path (`9.3 (2 of 5)`) begins now."""
        ...
