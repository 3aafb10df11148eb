"""
What the messages of a short-frame dialect do in a drive: readings, and commands with their refusals.

Settings, widths and bits come from the dialect file. Values by field name go in, values by field name come out: nothing
here knows the bus.
"""

from collections.abc import Callable, Mapping
from enum import StrEnum

from choreo_sim.dialect_reader import DriveDialect
from choreo_sim.kernel import Kernel
from choreo_sim.load_slot import Load
from choreo_sim.servo import Servo


class Refusal(StrEnum):
    """Why a request is refused, in the words of the dialect file."""

    OUT_OF_RANGE = "value out of range"
    UNKNOWN = "unknown command or setting"
    NOT_ENABLED = "not enabled"
    IN_FAULT = "in fault"
    STILL_MOVING = "still moving"
    NO_EDGE = "no edge captured"
    BRAKE_APPLIED = "brake is applied"


Values = Mapping[str, int]
Answer = Values | Refusal
Handler = Callable[[Values], Answer]

DONE: Values = {}


class Firmware:
    """
    `reads` are made when the answer is put together, `commands` when they come; both by the dialect's message names.
    """

    def __init__(self, kernel: Kernel, dialect: DriveDialect, servo: Servo) -> None:
        self._kernel = kernel
        self._dialect = dialect
        self._servo = servo
        self._half_range = self._half_of("read_position")
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
            "move": self._move,
            "preload": self._preload,
            "clear_load": self._clear_load,
            "start": self._start,
            "stop": lambda _: self._stop("stop"),
            "quick_stop": lambda _: self._stop("quick_stop"),
        }

    def _half_of(self, name: str) -> int:
        """Half the range of a reply's last field: a position beyond it wraps, as a counter does."""
        message = self._dialect.messages.get(name)
        bits = 32 if message is None or message.reply is None else message.reply.slots[-1].size * 8
        return 1 << (bits - 1)

    def _wrapped(self, counts: int) -> int:
        half = self._half_range
        return (counts + half) % (2 * half) - half

    # Readings.

    def position(self) -> int:
        """What the drive tells as its position now."""
        counts = self._servo.reading(self._kernel.now_ns)
        half = self._half_range
        return counts if -half <= counts < half else self._wrapped(counts)

    def _status(self, _: Values) -> Answer:
        servo, now = self._servo, self._kernel.now_ns
        flags = {
            "enabled": servo.enabled,
            "moving": servo.moving(now),
            "homed": servo.homed,
            "loaded": bool(servo.load.held),
            "brake_applied": servo.mechanics.braked,
            "in_position": servo.in_position(now),
        }
        return {"bits": self._bits("status", flags), "fault": servo.fault}

    def _inputs(self, _: Values) -> Answer:
        mechanics, now = self._servo.mechanics, self._kernel.now_ns
        switches = {
            "negative_limit": mechanics.limit_active(-1, now),
            "positive_limit": mechanics.limit_active(1, now),
            "home_switch": mechanics.home_active(now),
        }
        return {"bits": self._bits("read_inputs", switches)}

    def _bits(self, name: str, flags: Mapping[str, bool]) -> int:
        reply = self._dialect.messages[name].reply
        return sum(mask for bit, mask in reply.masks.items() if flags.get(bit)) if reply is not None else 0

    def _setting(self, values: Values) -> Answer:
        rule = self._dialect.settings.get(values["number"])
        if rule is None:
            return Refusal.UNKNOWN
        return {"number": rule.number, "value": self._servo.settings.get(rule.name, 0)}

    def _latch(self, _: Values) -> Answer:
        latch = self._servo.latch
        if latch is None:
            return {"captured": 0, "position": 0}
        return {"captured": 1, "position": self._wrapped(latch + self._servo.shift)}

    # Commands.

    def _moving(self) -> bool:
        return self._servo.moving(self._kernel.now_ns)

    def _write_setting(self, values: Values) -> Answer:
        rule = self._dialect.settings.get(values["number"])
        if rule is None:
            return Refusal.UNKNOWN
        if not rule.low <= values["value"] <= rule.high:
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

    def _refused_motion(self, speed: int) -> Refusal | None:
        """What speaks against a move or a load; a speed above the drive's ceiling is refused, not clipped (P37)."""
        servo, rule = self._servo, self._dialect.setting(self._dialect.move_speed)
        if servo.fault:
            return Refusal.IN_FAULT
        if not servo.enabled:
            return Refusal.NOT_ENABLED
        if not rule.low <= speed <= rule.high or float(speed * rule.step) > servo.meaning(rule.name):
            return Refusal.OUT_OF_RANGE
        return None

    def _move(self, values: Values) -> Answer:
        refusal = self._refused_motion(values["speed"])
        if refusal is not None:
            return refusal
        if self._servo.mechanics.braked:
            return Refusal.BRAKE_APPLIED
        if self._servo.stopping(self._kernel.now_ns):
            return Refusal.STILL_MOVING
        self._servo.start(Load(values["target"], values["speed"]))
        return values

    def _preload(self, values: Values) -> Answer:
        refusal = self._refused_motion(values["speed"])
        if refusal is not None:
            return refusal
        if not self._servo.load.put(Load(values["target"], values["speed"])):
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
