"""Faults of how a drive moves its axis: away, the wrong way, too far, unasked. See `fault_kinds.py` for the list."""

from math import inf

from choreo_sim.fault_base import TURN, Kind
from choreo_sim.fault_entry import Entry
from choreo_sim.fault_moments import Moment
from choreo_sim.load_slot import Load
from choreo_sim.motion_truth import Demand, State, ramp


class Runaway(Moment):
    """
    In the middle of a motion (`at_speed`), or at its moment, the axis speeds up to `speed` in the direction in which it
    goes, as with a lost feedback, and no stop slows it down: only taking its power helps, or the stop if `heeds_stops`.
    """

    KEYS = (*Moment.KEYS, "speed", "heeds_stops")

    def __init__(self, entry: Entry) -> None:
        truth = entry.drive().mechanics.truth
        self.speed = entry.amount("speed", f"{truth.unit}/s") * float(truth.counts_per_unit)
        super().__init__(entry)

    def begin(self) -> None:
        """Only an axis under power, with its brake open, can run away."""
        servo = self.drive.servo
        if not servo.enabled or self.drive.mechanics.braked:
            return
        servo.notices = False
        if not self.entry.flag("heeds_stops"):
            servo.diverts = self._away
        servo.force(self._away(servo.state()))
        self.fire("runs away")

    def _away(self, state: State) -> Demand:
        return ramp(state, self.speed if state.v >= 0 else -self.speed, self.drive.servo.meaning("acceleration"), inf)


class _OtherTarget(Kind):
    """The load leads elsewhere when the trigger sets it off; `nth` counts triggers that find a load."""

    WHAT = ""

    def before(self, message: str) -> bool:
        """Acts on the trigger."""
        servo = self.drive.servo
        if message == "start" and servo.load.held and servo.can_start() and self.comes(self.WHAT):
            here = round(self.drive.mechanics.at(self.kernel.now_ns)) + servo.shift
            base = 0 if self.drive.dialect.loads.relative_to != "never" else here
            held = servo.load.held
            servo.load.held = [load._replace(target=base + self.turned(load.target - base)) for load in held]
        return True

    def turned(self, way: int) -> int:
        """The way, in counts, that it goes instead."""
        raise NotImplementedError


class WrongDirection(_OtherTarget):
    """The axis moves the wrong way, as far as it should have gone; `nth` counts triggers that find a load."""

    WHAT = "moves the wrong way"

    def turned(self, way: int) -> int:
        """Backwards."""
        return -way


class LoadDoubled(_OtherTarget):
    """
    The drive applies its load twice and goes twice as far, as when a relative move arrives two times (practice.md P6);
    `nth` counts triggers that find a load.
    """

    WHAT = "goes twice as far as it should"

    def turned(self, way: int) -> int:
        """Twice as far."""
        return 2 * way


class LoadSlow(Kind):
    """The load runs at `part` of its speed, as with a wrong speed scale in the drive; `nth` counts triggers."""

    KEYS = ("part", *TURN)

    def __init__(self, entry: Entry) -> None:
        super().__init__(entry)
        self.part = float(entry.node.need("part").fraction())

    def before(self, message: str) -> bool:
        """Acts on the trigger."""
        load = self.drive.servo.load
        if message == "start" and load.held and self.comes(f"moves at {self.part:g} of its speed"):
            load.held = [held._replace(part=held.part * self.part) for held in load.held]
        return True


class MovesUnasked(Moment):
    """Somebody moves the axis at the drive's own panel: it goes `by` so far at `speed`, without a frame on the bus."""

    KEYS = (*Moment.KEYS, "by", "speed")

    def begin(self) -> None:
        """Only an axis that is ready to move does."""
        servo, mechanics = self.drive.servo, self.drive.mechanics
        unit = mechanics.truth.unit
        if not servo.can_start():
            return
        factor = float(mechanics.truth.counts_per_unit)
        target = mechanics.counts(mechanics.position(self.kernel.now_ns) + self.entry.amount("by", unit))
        dialect = self.drive.dialect
        speed = dialect.speed_code(self.entry.amount("speed", f"{unit}/s") * factor)
        load = Load(round(target) + servo.shift, speed)
        if dialect.loads.relative_to != "never":
            load = Load(round(target - mechanics.at(self.kernel.now_ns)), load.speed)
        servo.start(load)
        self.fire("moves without being asked")
