"""
The faults that a drive can have, one class a kind; here those of its talk and its loads, and the list of all.

A kind is read from its entry in a fault file and then behaves: in the drive's talk (`Behaviour`), in its motion or its
body (`fault_moments.py`). `KEYS` are what its entry may say besides `kind`, `node` and `note`.
"""

from choreo_sim.fault_base import PIN, TURN, Kind
from choreo_sim.fault_body import (
    BrakeSags,
    BrakeSlips,
    BrakeStuck,
    HomeSwitchBounces,
    HomeSwitchMissing,
    HomeSwitchStuck,
    NoiseSpike,
    PositionJump,
)
from choreo_sim.fault_entry import Entry
from choreo_sim.fault_inputs import InputFlickers, InputLost
from choreo_sim.fault_moments import DriveFault, DriveRestarts, FrozenEncoder, RunawayAfterStop, StalledAxis
from choreo_sim.fault_motion import LoadDoubled, LoadSlow, MovesUnasked, Runaway, WrongDirection
from choreo_sim.firmware import Refusal
from choreo_sim.load_slot import Load

__all__ = ["KINDS", "Kind"]


class LostRequest(Kind):
    """A request that the drive never gets, as after an overrun of its receive buffer."""

    KEYS = ("message", *TURN)

    def __init__(self, entry: Entry) -> None:
        super().__init__(entry)
        self.messages = entry.messages(self.drive)

    def hears(self, message: str) -> bool:
        """Not the request whose turn it is."""
        return (self.messages is not None and message not in self.messages) or not self.comes(
            f"{message} was not heard"
        )


class LostReply(Kind):
    """A reply or an event that never leaves the drive; what was asked is done."""

    KEYS = ("message", *TURN)

    def __init__(self, entry: Entry) -> None:
        super().__init__(entry)
        self.messages = entry.messages(self.drive, ("error_reply", *self.drive.dialect.events))

    def says(self, message: str) -> bool:
        """Not the one whose turn it is."""
        return (self.messages is not None and message not in self.messages) or not self.comes(f"{message}: no reply")


class DataErrorReply(Kind):
    """A request that is answered with a data-error reply and not carried out."""

    KEYS = ("message", "error", *TURN)

    def __init__(self, entry: Entry) -> None:
        super().__init__(entry)
        dialect = self.drive.dialect
        self.messages = entry.messages(self.drive)
        self.answered = {name for name, message in dialect.messages.items() if message.reply is not None}
        self.error = entry.code("error", dialect.errors, dialect.error_code(Refusal.OUT_OF_RANGE))

    def refuses(self, message: str) -> int | None:
        """With the error code, when it is its turn."""
        wanted = self.answered if self.messages is None else self.messages
        return self.error if message in wanted and self.comes(f"{message} was refused, code {self.error}") else None


class SilentNode(Kind):
    """
    From a time on, or from the nth request on, the drive says nothing. It still hears, so that a stop stops it, unless
    it is `deaf` as well: then it goes where it was last sent.
    """

    KEYS = ("message", "deaf", "nth", *PIN)

    def __init__(self, entry: Entry) -> None:
        super().__init__(entry)
        self.messages = entry.messages(self.drive)
        self.deaf = entry.flag("deaf")
        self.silent = False
        if entry.get("nth") is None and entry.get("message") is None:
            entry.must_say_when()
            self.turn.pin.then(self._fall_silent)

    def _fall_silent(self) -> None:
        self.silent = True
        self.fire("fell silent" + (" and deaf" if self.deaf else ""))

    def hears(self, message: str) -> bool:
        """Falls silent on the request whose turn it is; then everything, or nothing when it is deaf as well."""
        wanted = self.messages is None or message in self.messages
        if not self.silent and wanted and self._by_count() and self.turn.comes(self.kernel.now_ns):
            self._fall_silent()
        return not (self.silent and self.deaf)

    def _by_count(self) -> bool:
        return self.entry.get("nth") is not None or self.entry.get("message") is not None

    def says(self, message: str) -> bool:
        """Nothing once it is silent."""
        return not self.silent


class LoadLost(Kind):
    """The load is gone just before the trigger would set it off; `nth` counts triggers that find one."""

    def before(self, message: str) -> bool:
        """Acts on the trigger."""
        load = self.drive.servo.load
        if message == "start" and load.held and self.comes("the load was gone when the trigger came"):
            load.clear()
        return True


class LoadLostEarly(Kind):
    """The load is accepted and forgotten at once, before anybody could prove it; `nth` counts loads."""

    def after(self, message: str) -> None:
        """Acts when it has been carried out."""
        if message == "preload" and self.comes("the load was accepted and forgotten"):
            self.drive.servo.load.clear()


class StaleLoad(Kind):
    """
    At its moment, which is the start where nothing is said, the drive holds a move of an earlier run or of somebody
    else's, `by` so far from where it stands. With `sticky: refuses` it answers every clearing with an error, with
    `sticky: ignores` it says that it has cleared and has not.
    """

    KEYS = ("by", "speed", "sticky", "error", *PIN)

    def __init__(self, entry: Entry) -> None:
        super().__init__(entry)
        dialect = self.drive.dialect
        sticky = entry.get("sticky")
        self.sticky = sticky.one_of(("refuses", "ignores", "no")) if sticky is not None else "no"
        self.error = entry.code("error", dialect.errors, dialect.error_code(Refusal.UNKNOWN))
        self.load: Load | None = None
        self._load()  # what cannot be read is refused now
        if entry.get("at") is None and entry.get("step") is None:
            self._put()
        else:
            self.turn.pin.then(self._put)

    def _load(self) -> Load:
        mechanics, dialect = self.drive.mechanics, self.drive.dialect
        unit = mechanics.truth.unit
        here = mechanics.position(self.kernel.now_ns)
        target = mechanics.counts(here + self.entry.amount("by", unit))
        base = self.drive.servo.shift if dialect.loads.relative_to == "never" else -mechanics.counts(here)
        speed = self.entry.amount("speed", f"{unit}/s") * float(mechanics.truth.counts_per_unit)
        return Load(round(target + base), dialect.speed_code(speed))

    def _put(self) -> None:
        self.load = self._load()
        self.drive.servo.load.put(self.load)
        self.fire("holds a load that this run did not make")

    def refuses(self, message: str) -> int | None:
        """Every clearing, when it is sticky in that way."""
        return self.error if message == "clear_load" and self.sticky == "refuses" else None

    def after(self, message: str) -> None:
        """Holds the load again after every clearing, when it is sticky in that way."""
        if message == "clear_load" and self.sticky == "ignores" and self.load is not None:
            self.drive.servo.load.put(self.load)


class TriggerDelayed(Kind):
    """The trigger takes effect `by` later on this drive; `nth` counts triggers that find a load."""

    KEYS = ("by", *TURN)

    def __init__(self, entry: Entry) -> None:
        super().__init__(entry)
        self.delay_ns = entry.time("by")

    def before(self, message: str) -> bool:
        """Acts on the trigger."""
        servo = self.drive.servo
        if message != "start" or not servo.load.held or not self.comes(f"starts {self.delay_ns / 1e6:g} ms late"):
            return True
        servo.trigger(self.delay_ns)
        return False


#: What `kind:` may say of a drive.
KINDS: dict[str, type[Kind]] = {
    "lost_request": LostRequest,
    "lost_reply": LostReply,
    "data_error_reply": DataErrorReply,
    "silent_node": SilentNode,
    "stalled_axis": StalledAxis,
    "runaway": Runaway,
    "wrong_direction": WrongDirection,
    "moves_unasked": MovesUnasked,
    "load_lost": LoadLost,
    "load_lost_early": LoadLostEarly,
    "stale_load": StaleLoad,
    "load_doubled": LoadDoubled,
    "load_slow": LoadSlow,
    "frozen_encoder": FrozenEncoder,
    "trigger_delayed": TriggerDelayed,
    "runaway_after_stop": RunawayAfterStop,
    "drive_fault": DriveFault,
    "drive_restarts": DriveRestarts,
    "brake_slips": BrakeSlips,
    "brake_sags": BrakeSags,
    "brake_stuck": BrakeStuck,
    "home_switch_stuck": HomeSwitchStuck,
    "home_switch_missing": HomeSwitchMissing,
    "home_switch_bounces": HomeSwitchBounces,
    "position_jump": PositionJump,
    "noise_spike": NoiseSpike,
    "input_lost": InputLost,
    "input_flickers": InputFlickers,
}
