"""
The faults that a drive can have, one class a kind.

A kind is read from its entry in a fault file and then behaves: in the drive's talk (`Behaviour`), in its motion, or in
its body. `KEYS` are what its entry may say besides `kind`, `node` and `note`.
"""

from collections.abc import Callable
from math import inf
from typing import ClassVar

from choreo_sim.behaviour import Behaviour
from choreo_sim.fault_entry import Entry
from choreo_sim.firmware import Refusal
from choreo_sim.lag import Polynomial, Response
from choreo_sim.load_slot import Load
from choreo_sim.motion_truth import Demand, State, ramp
from choreo_sim.servo import Fault

_TURN = ("nth", "at", "times")


class Kind(Behaviour):
    """What every kind has: its drive, its entry, and its turn."""

    KEYS: ClassVar[tuple[str, ...]] = _TURN

    def __init__(self, entry: Entry) -> None:
        entry.check(("node", *self.KEYS))
        super().__init__(entry.drive())
        self.entry = entry
        self.turn = entry.turn()
        self.kernel = entry.shop.kernel
        self.drive.behaviours.append(self)

    def comes(self, what: str) -> bool:
        """Count one more moment; record and return True when the fault acts on it."""
        if not self.turn.comes(self.kernel.now_ns):
            return False
        self.fire(what)
        return True

    def fire(self, what: str) -> None:
        """Record that the fault has acted."""
        self.entry.fire(self.drive.name, what)


class LostRequest(Kind):
    """A request that the drive never gets, as after an overrun of its receive buffer."""

    KEYS = ("message", *_TURN)

    def __init__(self, entry: Entry) -> None:
        super().__init__(entry)
        self.messages = entry.messages(self.drive)

    def hears(self, message: str) -> bool:
        return (self.messages is not None and message not in self.messages) or not self.comes(
            f"{message} was not heard"
        )


class LostReply(Kind):
    """A reply or an event that never leaves the drive; what was asked is done."""

    KEYS = ("message", *_TURN)

    def __init__(self, entry: Entry) -> None:
        super().__init__(entry)
        self.messages = entry.messages(self.drive, ("error_reply", *self.drive.dialect.events))

    def says(self, message: str) -> bool:
        return (self.messages is not None and message not in self.messages) or not self.comes(f"{message}: no reply")


class DataErrorReply(Kind):
    """A request that is answered with a data-error reply and not carried out."""

    KEYS = ("message", "error", *_TURN)

    def __init__(self, entry: Entry) -> None:
        super().__init__(entry)
        dialect = self.drive.dialect
        self.messages = entry.messages(self.drive)
        self.answered = {name for name, message in dialect.messages.items() if message.reply is not None}
        self.error = entry.code("error", dialect.errors, dialect.error_code(Refusal.OUT_OF_RANGE))

    def refuses(self, message: str) -> int | None:
        wanted = self.answered if self.messages is None else self.messages
        return self.error if message in wanted and self.comes(f"{message} was refused, code {self.error}") else None


class SilentNode(Kind):
    """
    From a time on, or from the nth request on, the drive says nothing. It still hears, so that a stop stops it, unless
    it is `deaf` as well: then it goes where it was last sent.
    """

    KEYS = ("message", "deaf", *_TURN)

    def __init__(self, entry: Entry) -> None:
        super().__init__(entry)
        self.messages = entry.messages(self.drive)
        self.deaf = entry.flag("deaf")
        self.silent = False
        if entry.get("nth") is None and entry.get("message") is None:
            self.kernel.at(entry.time("at"), self._fall_silent)

    def _fall_silent(self, _: object = None) -> None:
        self.silent = True
        self.fire("fell silent" + (" and deaf" if self.deaf else ""))

    def hears(self, message: str) -> bool:
        wanted = self.messages is None or message in self.messages
        if not self.silent and wanted and self._by_count() and self.turn.comes(self.kernel.now_ns):
            self._fall_silent()
        return not (self.silent and self.deaf)

    def _by_count(self) -> bool:
        return self.entry.get("nth") is not None or self.entry.get("message") is not None

    def says(self, message: str) -> bool:
        return not self.silent


class Moment(Kind):
    """A fault that begins at a time (`at`), or when the nth motion that gets so fast is so fast (`at_speed`)."""

    KEYS = ("at_speed", "nth", "at")

    def __init__(self, entry: Entry) -> None:
        super().__init__(entry)
        self._event: list[object] | None = None
        if entry.get("at_speed") is None:
            self.kernel.at(entry.time("at"), self._now)
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
            self._now()

    def _now(self, _: object = None) -> None:
        self.begin()

    def begin(self) -> None:
        """The moment has come."""
        raise NotImplementedError


class StalledAxis(Moment):
    """The axis sticks while its demand goes on. The drive's own following-error window sees it unless `unnoticed`."""

    KEYS = (*Moment.KEYS, "unnoticed")

    def begin(self) -> None:
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
        self.begun = True
        self.fire("the position repeats itself")

    def reads(self, counts: int) -> int:
        if not self.begun:
            return counts
        if self.frozen is None:
            self.frozen = counts
        return self.frozen


class DriveFault(Moment):
    """The drive trips by itself, with the `fault` of its dialect (overcurrent if not given)."""

    KEYS = (*Moment.KEYS, "fault")

    def begin(self) -> None:
        given = self.entry.get("fault")
        fault = Fault.OVERCURRENT if given is None else Fault(given.one_of(list(Fault)))
        self.drive.servo.trip(fault)
        self.fire(fault)

    def __init__(self, entry: Entry) -> None:
        super().__init__(entry)
        given = entry.get("fault")
        if given is not None:
            given.one_of(list(Fault))


class DriveRestarts(Moment):
    """The drive's supply fails and comes back: it boots, unpowered, unhomed, with the settings it was delivered with."""

    def begin(self) -> None:
        self.drive.boot()
        self.fire("restarted")


class LoadLost(Kind):
    """The load is gone just before the trigger would set it off; `nth` counts triggers that find one."""

    def before(self, message: str) -> bool:
        load = self.drive.servo.load
        if message == "start" and load.held and self.comes("the load was gone when the trigger came"):
            load.clear()
        return True


class LoadLostEarly(Kind):
    """The load is accepted and forgotten at once, before anybody could prove it; `nth` counts loads."""

    def after(self, message: str) -> None:
        if message == "preload" and self.comes("the load was accepted and forgotten"):
            self.drive.servo.load.clear()


class StaleLoad(Kind):
    """
    At the start the drive holds a move of an earlier run, `by` so far from where it stands. With `sticky: refuses` it
    answers every clearing with an error, with `sticky: ignores` it says that it has cleared and has not.
    """

    KEYS = ("by", "speed", "sticky", "error")

    def __init__(self, entry: Entry) -> None:
        super().__init__(entry)
        mechanics, dialect = self.drive.mechanics, self.drive.dialect
        unit = mechanics.truth.unit
        rule = dialect.setting(dialect.move_speed)
        target = mechanics.counts(mechanics.position(self.kernel.now_ns) + entry.amount("by", unit))
        speed = entry.amount("speed", f"{unit}/s") * float(mechanics.truth.counts_per_unit / rule.step)
        self.load = Load(round(target), min(max(int(speed), rule.low), rule.high))
        sticky = entry.get("sticky")
        self.sticky = sticky.one_of(("refuses", "ignores", "no")) if sticky is not None else "no"
        self.error = entry.code("error", dialect.errors, dialect.error_code(Refusal.UNKNOWN))
        self.drive.servo.load.put(self.load)
        self.fire("holds a load of an earlier run")

    def refuses(self, message: str) -> int | None:
        return self.error if message == "clear_load" and self.sticky == "refuses" else None

    def after(self, message: str) -> None:
        if message == "clear_load" and self.sticky == "ignores":
            self.drive.servo.load.put(self.load)


class TriggerDelayed(Kind):
    """The trigger takes effect `by` later on this drive; `nth` counts triggers that find a load."""

    KEYS = ("by", *_TURN)

    def __init__(self, entry: Entry) -> None:
        super().__init__(entry)
        self.delay_ns = entry.time("by")

    def before(self, message: str) -> bool:
        servo = self.drive.servo
        if message != "start" or not servo.load.held or not self.comes(f"starts {self.delay_ns / 1e6:g} ms late"):
            return True
        servo.trigger(self.delay_ns)
        return False


class RunawayAfterStop(Kind):
    """
    The nth stop that finds the axis moving makes it faster instead, up to `speed`; only taking its power helps.
    """

    KEYS = ("speed", *_TURN)

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


#: What `kind:` may say of a drive.
KINDS: dict[str, Callable[[Entry], Kind]] = {
    "lost_request": LostRequest,
    "lost_reply": LostReply,
    "data_error_reply": DataErrorReply,
    "silent_node": SilentNode,
    "stalled_axis": StalledAxis,
    "load_lost": LoadLost,
    "load_lost_early": LoadLostEarly,
    "stale_load": StaleLoad,
    "frozen_encoder": FrozenEncoder,
    "trigger_delayed": TriggerDelayed,
    "runaway_after_stop": RunawayAfterStop,
    "drive_fault": DriveFault,
    "drive_restarts": DriveRestarts,
}
