"""Faults of motion and body: they begin at a moment, and last. See `fault_kinds.py` for the list of all."""

from math import inf
from typing import ClassVar

from choreo_sim.fault_base import PIN, TURN, Kind
from choreo_sim.fault_entry import Entry
from choreo_sim.kernel import Handle
from choreo_sim.lag import Polynomial, Response
from choreo_sim.motion_truth import Demand, State, ramp
from choreo_sim.servo import Fault


class Moment(Kind):
    """
    A fault that begins at a time or with a step (`at`, `step`), or when the nth motion from then on that gets so fast
    is so fast (`at_speed`).
    """

    KEYS: ClassVar[tuple[str, ...]] = ("at_speed", "nth", *PIN)

    def __init__(self, entry: Entry) -> None:
        super().__init__(entry)
        self._event: Handle | None = None
        if entry.get("at_speed") is None:
            entry.must_say_when()
            self.turn.pin.then(self.begin)
            return
        mechanics = self.drive.mechanics
        unit = mechanics.truth.unit
        self.at_speed = entry.amount("at_speed", f"{unit}/s") * float(mechanics.truth.counts_per_unit)
        self.drive.servo.begun.append(self._look_ahead)

    def _look_ahead(self, demand: Demand) -> None:
        if self._event is not None:
            self.kernel.cancel(self._event)
            self._event = None
        speed = Response([Polynomial(s.start, s.v, s.a, s.j / 2, 0.0) for s in demand.segments], 0.0, 0.0)
        moments = [s for level in (self.at_speed, -self.at_speed) if (s := speed.first_crossing(level)) is not None]
        if abs(demand.segments[0].v) < self.at_speed and moments:
            self._event = self.kernel.at(self.kernel.now_ns + round(min(moments) * 1e9), self._reached)

    def _reached(self, _: object) -> None:
        if self.turn.comes(self.kernel.now_ns):
            self.begin()

    def begin(self) -> None:
        """The moment has come."""
        raise NotImplementedError


class StalledAxis(Moment):
    """The axis sticks while its demand goes on. The drive's own following-error window sees it unless `unnoticed`."""

    KEYS = (*Moment.KEYS, "unnoticed")

    def begin(self) -> None:
        """See the class."""
        self.drive.servo.notices = not self.entry.flag("unnoticed")
        self.drive.mechanics.stick()
        self.fire("stalled")


class FrozenEncoder(Moment):
    """The position that the drive tells repeats itself from then on; the axis and its control do not care."""

    def __init__(self, entry: Entry) -> None:
        self.begun = False
        self.frozen: int | None = None
        super().__init__(entry)

    def begin(self) -> None:
        """See the class."""
        self.begun = True
        self.fire("the position repeats itself")

    def reads(self, counts: int) -> int:
        """The first reading after the moment, for ever."""
        if not self.begun:
            return counts
        if self.frozen is None:
            self.frozen = counts
        return self.frozen


class DriveFault(Moment):
    """The drive trips by itself, with the `fault` of its dialect (overcurrent if not given)."""

    KEYS = (*Moment.KEYS, "fault")

    def __init__(self, entry: Entry) -> None:
        super().__init__(entry)
        given = entry.get("fault")
        self.fault = Fault.OVERCURRENT if given is None else Fault(given.one_of(list(Fault)))

    def begin(self) -> None:
        """See the class."""
        self.drive.servo.trip(self.fault)
        self.fire(f"trips: {self.fault}")


class DriveRestarts(Moment):
    """The drive's supply fails and comes back: it boots, unpowered, unhomed, with the settings of its delivery."""

    def begin(self) -> None:
        """See the class."""
        self.drive.boot()
        self.fire("restarted")


class RunawayAfterStop(Kind):
    """
    The nth stop that finds the axis moving makes it faster instead, up to `speed`; only taking its power helps.
    """

    KEYS = ("speed", *TURN)

    def __init__(self, entry: Entry) -> None:
        super().__init__(entry)
        truth = self.drive.mechanics.truth
        self.speed = entry.amount("speed", f"{truth.unit}/s") * float(truth.counts_per_unit)
        self.running = False
        self.drive.servo.diverts = self._divert

    def _divert(self, state: State) -> Demand | None:
        if not self.running and not self.comes("runs away"):
            return None
        self.running = True
        servo = self.drive.servo
        return ramp(state, self.speed if state.v >= 0 else -self.speed, servo.meaning("acceleration"), inf)
