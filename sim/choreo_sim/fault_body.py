"""Faults of an axis' body: its brake, its home switch, its encoder. See `fault_kinds.py` for the list of all."""

from random import Random

from choreo_sim.fault_base import TURN, Kind
from choreo_sim.fault_entry import Entry
from choreo_sim.fault_moments import Moment


class _OfBrake(Moment):
    """A fault of a brake: the axis must have one."""

    def __init__(self, entry: Entry) -> None:
        drive = entry.drive()
        if drive.mechanics.truth.brake is None:
            raise entry.node.error(f"{drive.name} has no brake")
        super().__init__(entry)

    def down(self, distance: float) -> float:
        """So far downwards, in counts."""
        mechanics = self.drive.mechanics
        return mechanics.counts(-distance) - mechanics.counts(0.0)


class BrakeSlips(_OfBrake):
    """The closed brake does not hold: without power the axis creeps down at `speed`."""

    KEYS = (*Moment.KEYS, "speed")

    def begin(self) -> None:
        """See the class."""
        speed = self.entry.amount("speed", f"{self.drive.mechanics.truth.unit}/s")
        self.drive.mechanics.creep_down(self.down(speed))
        self.fire("the brake does not hold")


class BrakeSags(_OfBrake):
    """The load sinks `by` so much more than it should when the brake opens, before the drive holds it."""

    KEYS = (*Moment.KEYS, "by")

    def begin(self) -> None:
        """See the class."""
        self.drive.mechanics.more_sag = self.down(self.entry.amount("by", self.drive.mechanics.truth.unit))
        self.fire("the load will sink when the brake opens")


class BrakeStuck(_OfBrake):
    """The brake does not open any more, whatever the drive says."""

    def begin(self) -> None:
        """See the class."""
        self.drive.mechanics.brake_stuck = True
        self.fire("the brake does not open any more")


class _HomeSwitchFixed(Moment):
    """The home switch tells always the same, and no edge is captured."""

    def fix(self, level: bool, what: str) -> None:
        """From now on."""
        mechanics = self.drive.mechanics
        mechanics.home_level = lambda t_ns, true: level
        mechanics.on_edge = lambda counts: None
        self.fire(what)


class HomeSwitchStuck(_HomeSwitchFixed):
    """The home switch sticks, at `level: on` or `level: off`; no edge is captured any more."""

    KEYS = (*Moment.KEYS, "level")

    def begin(self) -> None:
        """See the class."""
        level = self.entry.node.need("level").one_of(("on", "off"))
        self.fix(level == "on", f"the home switch sticks at {level}")


class HomeSwitchMissing(_HomeSwitchFixed):
    """The home switch is gone, or its cable is broken: it never closes and no edge is captured."""

    def begin(self) -> None:
        """See the class."""
        self.fix(False, "the home switch is missing")


class HomeSwitchBounces(Moment):
    """
    The home switch is loose: within `by` of its edge it tells now this and now that, and the captured edge scatters by
    as much to either side.
    """

    KEYS = (*Moment.KEYS, "by")

    def begin(self) -> None:
        """See the class."""
        mechanics = self.drive.mechanics
        within = self.entry.amount("by", mechanics.truth.unit)
        chance = Random(f"bouncing switch {self.drive.name} {self.entry.shop.seed}")
        edges = [float(home.edge) for home in mechanics.truth.home]
        capture = mechanics.on_edge

        def level(t_ns: int, true: bool) -> bool:
            near = any(abs(mechanics.position(t_ns) - edge) < within for edge in edges)
            return chance.random() < 0.5 if near else true

        def edge(counts: float) -> None:
            shift = within * (2 * chance.random() - 1)
            capture(counts + mechanics.counts(shift) - mechanics.counts(0.0))

        mechanics.home_level = level
        mechanics.on_edge = edge
        self.fire("the home switch bounces")


class PositionJump(Moment):
    """
    What the drive takes for its position jumps `by` so far, as when an absolute encoder loses its battery; meant for an
    axis without power (practice.md P17).
    """

    KEYS = (*Moment.KEYS, "by")

    def begin(self) -> None:
        """See the class."""
        mechanics = self.drive.mechanics
        by = self.entry.amount("by", mechanics.truth.unit)
        self.drive.servo.shift += round(mechanics.counts(by) - mechanics.counts(0.0))
        self.fire("its position jumped")


class NoiseSpike(Kind):
    """A single reading of the position is off `by` so far, from electrical noise; `nth` counts readings."""

    KEYS = ("by", *TURN)

    def __init__(self, entry: Entry) -> None:
        super().__init__(entry)
        mechanics = self.drive.mechanics
        self.counts = round(mechanics.counts(entry.amount("by", mechanics.truth.unit)) - mechanics.counts(0.0))

    def reads(self, counts: int) -> int:
        """The reading whose turn it is."""
        return counts + self.counts if self.comes("a reading is off") else counts
