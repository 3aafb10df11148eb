"""
What the messages of a short-frame dialect do in a drive: readings, and commands with their refusals.

Settings, widths and bits come from the dialect file. Values by field name go in, values by field name come out: nothing
here knows the bus.
"""

from collections.abc import Callable, Iterable, Mapping
from enum import StrEnum
from math import inf

from choreo_sim.dialect_reader import DriveDialect
from choreo_sim.inputs import DriveInputs
from choreo_sim.kernel import Kernel
from choreo_sim.load_slot import Load
from choreo_sim.servo import Servo, wrapped


class Refusal(StrEnum):
    """Why a request is refused, in the words of the dialect file."""

    OUT_OF_RANGE = "value out of range"
    UNKNOWN = "unknown command or setting"
    NOT_ENABLED = "not enabled"
    IN_FAULT = "in fault"
    STILL_MOVING = "still moving"
    NO_EDGE = "no edge captured"
    BRAKE_APPLIED = "brake is applied"
    LOADED = "a load is held already"
    OUT_OF_TURN = "frame out of turn"


Values = Mapping[str, int]
Answer = Values | Refusal
Handler = Callable[[Values], Answer]

DONE: Values = {}

#: What a drive says of itself, beside its position and its inputs.
STATUS = ("enabled", "moving", "homed", "loaded", "brake_applied", "in_position", "fault", "state")


class Firmware:
    """
    `reads` are made when the answer is put together, `commands` when they come; both by the dialect's message names.
    """

    def __init__(self, kernel: Kernel, dialect: DriveDialect, servo: Servo) -> None:
        self._kernel = kernel
        self._dialect = dialect
        self._servo = servo
        self.inputs = DriveInputs(kernel)
        self._low, self._high = dialect.position_range()
        self._latched = dialect.position_range("read_latch")
        status = dialect.messages.get("status")
        self._status_tells = status.reply.names if status is not None and status.reply is not None else ()
        self.reads: Mapping[str, Handler] = {
            "echo": lambda values: values,
            "read_position": lambda _: {"position": self.position()},
            "status": self._status,
            "read_inputs": self._inputs,
            "read_setting": self._setting,
            "read_latch": self._latch,
        }
        self.commands: Mapping[str, Handler] = {
            "write_setting": self._write_setting,
            "arm_latch": self._arm_latch,
            "home": self._home,
            "enable": self._enable,
            "disable": self._disable,
            "release_brake": self._release_brake,
            "apply_brake": self._apply_brake,
            "reset_fault": self._reset_fault,
            "set_output": self._set_output,
            "move": self._move,
            "preload": self._preload,
            "clear_load": self._clear_load,
            "start": self._start,
            "stop": lambda _: self._stop("stop"),
            "quick_stop": lambda _: self._stop("quick_stop"),
        }

    # Readings.

    def position(self) -> int:
        """What the drive tells as its position now."""
        counts = self._servo.reading(self._kernel.now_ns)
        low, high = self._low, self._high
        return counts if low <= counts <= high else wrapped(counts, (low, high))

    def tell(self, names: Iterable[str]) -> Values:
        """What the drive says of itself under the names of fields, in an event or anywhere else."""
        wanted = list(names)
        found: dict[str, int] = {}
        if any(name in STATUS for name in wanted):
            found.update(self._state_of_drive())
        if "position" in wanted:
            found["position"] = self.position()
        if any(name not in found for name in wanted):
            inputs = self._inputs(DONE)
            found.update(inputs if not isinstance(inputs, Refusal) else {})
        return {name: found.get(name, 0) for name in wanted}

    def _status(self, _: Values) -> Answer:
        found = self._state_of_drive()
        if "position" in self._status_tells:
            found["position"] = self.position()
        return found

    def _state_of_drive(self) -> dict[str, int]:
        servo, now = self._servo, self._kernel.now_ns
        flags = {
            "enabled": servo.enabled,
            "moving": servo.moving(now),
            "homed": servo.homed,
            "loaded": bool(servo.load.held),
            "brake_applied": servo.mechanics.braked,
            "in_position": servo.in_position(now),
        }
        return {**flags, "fault": servo.fault, "state": self._state(flags) if self._dialect.states else 0}

    def _state(self, flags: Mapping[str, bool]) -> int:
        """The coded state that says most of what is so and nothing that is not; the first of equals."""
        states = self._dialect.states
        true = {code for code, said in states.items() if all(flags.get(flag) for flag in said)}
        return max(states, key=lambda code: (code in true, len(states[code]) if code in true else 0))

    def _inputs(self, _: Values) -> Answer:
        mechanics, now = self._servo.mechanics, self._kernel.now_ns
        switches = {
            "negative_limit": mechanics.limit_active(-1, now),
            "positive_limit": mechanics.limit_active(1, now),
            "home_switch": mechanics.home_active(now),
        }
        return self.inputs.levels(switches)

    def _setting(self, values: Values) -> Answer:
        number = values.get("number", -1)
        rule = self._dialect.settings.get(number) or self._dialect.scale_settings.get(number)
        if rule is None:
            return Refusal.UNKNOWN
        return {"number": rule.number, "value": self._servo.settings.get(rule.name, 0)}

    def _latch(self, _: Values) -> Answer:
        latch = self._servo.latch
        if latch is None:
            return {"captured": 0, "position": 0}
        return {"captured": 1, "position": wrapped(latch + self._servo.shift, self._latched)}

    # Commands.

    def _moving(self) -> bool:
        return self._servo.moving(self._kernel.now_ns)

    def _write_setting(self, values: Values) -> Answer:
        rule = self._dialect.settings.get(values["number"])
        if rule is None:
            return Refusal.UNKNOWN
        if not rule.allows(values["value"]):
            return Refusal.OUT_OF_RANGE
        if self._moving():
            return Refusal.STILL_MOVING
        self._servo.set(rule.name, values["value"])
        return values

    def _arm_latch(self, _: Values) -> Answer:
        self._servo.arm_latch()
        return DONE

    def _home(self, values: Values) -> Answer:
        if self._moving():
            return Refusal.STILL_MOVING
        if self._servo.latch is None:
            return Refusal.NO_EDGE
        self._servo.home(values["edge"])
        return values

    def _enable(self, _: Values) -> Answer:
        if self._servo.fault:
            return Refusal.IN_FAULT
        self._servo.enable()
        return DONE

    def _disable(self, _: Values) -> Answer:
        self._servo.disable()
        return DONE

    def _release_brake(self, _: Values) -> Answer:
        if not self._servo.enabled:
            return Refusal.NOT_ENABLED
        self._servo.mechanics.brake_output(False)
        return DONE

    def _apply_brake(self, _: Values) -> Answer:
        self._servo.mechanics.brake_output(True)
        return DONE

    def _reset_fault(self, _: Values) -> Answer:
        if self._moving():
            return Refusal.STILL_MOVING
        self._servo.reset_fault()
        return DONE

    def _refused_motion(self, speed: int | None) -> Refusal | None:
        """What speaks against a move or a load; a speed above the drive's ceiling is refused, not clipped (P37)."""
        servo = self._servo
        if servo.fault:
            return Refusal.IN_FAULT
        if not servo.enabled:
            return Refusal.NOT_ENABLED
        if speed is None:
            return None
        rule = self._dialect.setting(self._dialect.move_speed)
        ceiling = servo.meaning("speed") if self._dialect.has_setting("speed") else inf
        return Refusal.OUT_OF_RANGE if not rule.allows(speed) or rule.meaning(speed) > ceiling else None

    def _move(self, values: Values) -> Answer:
        refusal = self._refused_motion(values.get("speed"))
        if refusal is not None:
            return refusal
        if self._servo.mechanics.braked:
            return Refusal.BRAKE_APPLIED
        if self._servo.stopping(self._kernel.now_ns):
            return Refusal.STILL_MOVING
        self._servo.start(Load(values["target"], values.get("speed")))
        return values

    def _preload(self, values: Values) -> Answer:
        refusal = self._refused_motion(values.get("speed"))
        if refusal is not None:
            return refusal
        if not self._servo.load.put(Load(values["target"], values.get("speed"))):
            return Refusal.LOADED
        return values

    def _set_output(self, values: Values) -> Answer:
        if values["on"] not in (0, 1) or not self.inputs.switch(values["output"], bool(values["on"])):
            return Refusal.OUT_OF_RANGE
        return values

    def _clear_load(self, _: Values) -> Answer:
        self._servo.load.meets("clear_load")
        return DONE

    def _start(self, _: Values) -> Answer:
        self._servo.trigger()
        return DONE

    def _stop(self, kind: str) -> Answer:
        self._servo.stop(kind)
        return DONE
