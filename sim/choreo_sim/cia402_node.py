"""
A small drive of the open standard (CiA 301, CiA 402), from the standard's side.

It boots, beats, obeys network management, serves its object dictionary over expedited SDO, pushes its status and
position in TPDO1 on an event timer, and walks the power states that a controlword asks for. Its position is a function
of time that it is given: motion of its own it has none. Facts: facts.md B1 to B12 and C1 to C5.
"""

from collections.abc import Callable
from dataclasses import dataclass
from enum import IntEnum

from choreo.frame import Frame
from choreo_sim.bus import Bus
from choreo_sim.kernel import Handle, Kernel

MS = 1_000_000
#: From the last bit of a request to the answer in the controller.
ANSWER_NS = 200_000

# Abort codes, facts.md B9.
UNKNOWN_COMMAND = 0x0504_0001
READ_ONLY = 0x0601_0002
NO_OBJECT = 0x0602_0000
WRONG_LENGTH = 0x0607_0010
NO_SUB_INDEX = 0x0609_0011
NOT_ALLOWED = 0x0609_0030


class NmtState(IntEnum):
    """As the heartbeat says it (facts.md B2)."""

    BOOTED = 0x00
    STOPPED = 0x04
    OPERATIONAL = 0x05
    PRE_OPERATIONAL = 0x7F


class PowerState(IntEnum):
    """Each state is the pattern that it shows in the statusword (facts.md C3)."""

    SWITCH_ON_DISABLED = 0x40
    READY_TO_SWITCH_ON = 0x21
    SWITCHED_ON = 0x23
    OPERATION_ENABLED = 0x27
    QUICK_STOP_ACTIVE = 0x07
    FAULT = 0x08


class Command(IntEnum):
    """What a controlword asks for (facts.md C4)."""

    SHUTDOWN = 0
    SWITCH_ON = 1  # from operation enabled it means "disable operation"
    ENABLE_OPERATION = 2
    DISABLE_VOLTAGE = 3
    QUICK_STOP = 4


_P = PowerState
#: (state, command) -> next state; the numbers are those of the standard (facts.md C5). Faults are seen to in the code.
TRANSITIONS: dict[tuple[PowerState, Command], PowerState] = {
    (_P.SWITCH_ON_DISABLED, Command.SHUTDOWN): _P.READY_TO_SWITCH_ON,  # 2
    (_P.READY_TO_SWITCH_ON, Command.SWITCH_ON): _P.SWITCHED_ON,  # 3
    (_P.READY_TO_SWITCH_ON, Command.ENABLE_OPERATION): _P.OPERATION_ENABLED,  # 3, then 4
    (_P.SWITCHED_ON, Command.ENABLE_OPERATION): _P.OPERATION_ENABLED,  # 4
    (_P.OPERATION_ENABLED, Command.SWITCH_ON): _P.SWITCHED_ON,  # 5
    (_P.SWITCHED_ON, Command.SHUTDOWN): _P.READY_TO_SWITCH_ON,  # 6
    (_P.READY_TO_SWITCH_ON, Command.DISABLE_VOLTAGE): _P.SWITCH_ON_DISABLED,  # 7
    (_P.READY_TO_SWITCH_ON, Command.QUICK_STOP): _P.SWITCH_ON_DISABLED,  # 7
    (_P.OPERATION_ENABLED, Command.SHUTDOWN): _P.READY_TO_SWITCH_ON,  # 8
    (_P.OPERATION_ENABLED, Command.DISABLE_VOLTAGE): _P.SWITCH_ON_DISABLED,  # 9
    (_P.SWITCHED_ON, Command.DISABLE_VOLTAGE): _P.SWITCH_ON_DISABLED,  # 10
    (_P.SWITCHED_ON, Command.QUICK_STOP): _P.SWITCH_ON_DISABLED,  # 10
    (_P.OPERATION_ENABLED, Command.QUICK_STOP): _P.QUICK_STOP_ACTIVE,  # 11
    (_P.QUICK_STOP_ACTIVE, Command.DISABLE_VOLTAGE): _P.SWITCH_ON_DISABLED,  # 12
    (_P.QUICK_STOP_ACTIVE, Command.ENABLE_OPERATION): _P.OPERATION_ENABLED,  # 16, by option code 6
}


@dataclass(frozen=True, slots=True)
class _Object:
    """One entry of the dictionary: its length in bytes, how it is read, how it is written (an abort code, or 0)."""

    length: int
    read: Callable[[], int]
    write: Callable[[int], int] | None = None
    signed: bool = False


class Cia402Node:
    """
    Node `node_id` (1 to 127) on `bus`. It boots when it is made.

    `position(t_ns)` is the actual position in the drive's unit; `event_timer_ms` the period of TPDO1 while operational,
    `heartbeat_ms` that of the heartbeat, 0 for none. Both can be written over SDO.
    """

    def __init__(
        self,
        kernel: Kernel,
        bus: Bus,
        node_id: int,
        position: Callable[[int], int],
        *,
        event_timer_ms: int = 0,
        heartbeat_ms: int = 0,
    ) -> None:
        if not 1 <= node_id <= 127:
            raise ValueError(f"node-ID {node_id}; CiA 301 has 1 to 127")
        self.node_id = node_id
        self.nmt = NmtState.BOOTED
        self.power = PowerState.SWITCH_ON_DISABLED
        self.controlword = 0
        self.target_reached = True
        self.mode = 1
        self.target = 0
        self.error_code = self.error_register = 0
        self._kernel = kernel
        self._position = position
        self._event_timer_ms, self._heartbeat_ms = event_timer_ms, heartbeat_ms
        self._timers: dict[str, Handle] = {}
        self._objects = self._dictionary()
        heard = {0x000, 0x600 + node_id}
        self._controller = bus.attach(
            f"cia402 node {node_id}", self._hear, accepts=lambda id, extended: not extended and id in heard
        )
        self._boot()

    @property
    def statusword(self) -> int:
        """0x6041: voltage on and remote always, target reached only while enabled (facts.md C2, C3)."""
        reached = self.target_reached and self.power is PowerState.OPERATION_ENABLED
        voltage = 0x0010
        return self.power | voltage | 0x0200 | (0x0400 if reached else 0)

    def fail(self, error_code: int, error_register: int = 0x21) -> None:
        """Go to fault and say so in an emergency message (facts.md B6, C5 transitions 13 and 14)."""
        self.power = PowerState.FAULT
        self.error_code, self.error_register = error_code, error_register
        self._emergency()

    # ---- network management, heartbeat, pushed samples -----------------------------------------------------------

    def _boot(self) -> None:
        self.nmt = NmtState.PRE_OPERATIONAL
        self._send(0x700 + self.node_id, bytes([NmtState.BOOTED]))
        self._restart("heartbeat", self._heartbeat_ms, self._beat)
        self._restart("tpdo1", self._event_timer_ms, self._push)

    def _hear(self, frame: Frame, t_ns: int) -> None:
        if frame.remote:
            return
        if frame.id == 0x000:
            if len(frame.data) == 2 and frame.data[1] in (0, self.node_id):
                self._obey(frame.data[0])
        elif len(frame.data) == 8 and self.nmt is not NmtState.STOPPED:  # a stopped node has no SDO (facts.md B3)
            self._kernel.after(ANSWER_NS, self._serve, frame.data)

    def _obey(self, command: int) -> None:
        states = {0x01: NmtState.OPERATIONAL, 0x02: NmtState.STOPPED, 0x80: NmtState.PRE_OPERATIONAL}
        if command in states:
            self.nmt = states[command]
        elif command in (0x81, 0x82):
            if command == 0x81:
                self.power, self.controlword = PowerState.SWITCH_ON_DISABLED, 0
                self.error_code = self.error_register = 0
            self._boot()

    def _restart(self, name: str, period_ms: int, beat: Callable[[int], None]) -> None:
        if (old := self._timers.pop(name, None)) is not None:
            self._kernel.cancel(old)
        if period_ms:
            self._timers[name] = self._kernel.after(period_ms * MS, beat, period_ms)

    def _beat(self, period_ms: int) -> None:
        self._restart("heartbeat", period_ms, self._beat)
        self._send(0x700 + self.node_id, bytes([self.nmt]))

    def _push(self, period_ms: int) -> None:
        self._restart("tpdo1", period_ms, self._push)
        if self.nmt is NmtState.OPERATIONAL:
            position = self._position(self._kernel.now_ns)
            data = self.statusword.to_bytes(2, "little") + position.to_bytes(4, "little", signed=True)
            self._send(0x180 + self.node_id, data)

    def _emergency(self) -> None:
        data = self.error_code.to_bytes(2, "little") + bytes([self.error_register]) + bytes(5)
        self._send(0x080 + self.node_id, data)

    def _send(self, id: int, data: bytes) -> None:
        self._controller.send(Frame(id, data))

    # ---- power states --------------------------------------------------------------------------------------------

    def _control(self, word: int) -> int:
        reset = word & 0x80 and not self.controlword & 0x80
        self.controlword = word
        if self.power is PowerState.FAULT:
            if reset:  # 15
                self.power, self.error_code, self.error_register = PowerState.SWITCH_ON_DISABLED, 0, 0
                self._emergency()
            return 0
        self.power = TRANSITIONS.get((self.power, _command(word)), self.power)
        return 0

    # ---- the object dictionary and its SDO server ------------------------------------------------------------------

    def _dictionary(self) -> dict[tuple[int, int], _Object]:
        node = self.node_id
        return {
            (0x1000, 0): _Object(4, lambda: 0x0002_0192),  # a servo drive of the profile
            (0x1001, 0): _Object(1, lambda: self.error_register),
            (0x1017, 0): _Object(2, lambda: self._heartbeat_ms, self._set_heartbeat),
            (0x1018, 0): _Object(1, lambda: 1),
            (0x1018, 1): _Object(4, lambda: 0),
            (0x1800, 0): _Object(1, lambda: 5),
            (0x1800, 1): _Object(4, lambda: 0x4000_0180 + node),
            (0x1800, 2): _Object(1, lambda: 255),
            (0x1800, 5): _Object(2, lambda: self._event_timer_ms, self._set_event_timer),
            (0x1A00, 0): _Object(1, lambda: 2),
            (0x1A00, 1): _Object(4, lambda: 0x6041_0010),
            (0x1A00, 2): _Object(4, lambda: 0x6064_0020),
            (0x603F, 0): _Object(2, lambda: self.error_code),
            (0x6040, 0): _Object(2, lambda: self.controlword, self._control),
            (0x6041, 0): _Object(2, lambda: self.statusword),
            (0x605A, 0): _Object(2, lambda: 6, signed=True),
            (0x6060, 0): _Object(1, lambda: self.mode, self._set_mode, signed=True),
            (0x6061, 0): _Object(1, lambda: self.mode, signed=True),
            (0x6064, 0): _Object(4, lambda: self._position(self._kernel.now_ns), signed=True),
            (0x607A, 0): _Object(4, lambda: self.target, self._set_target, signed=True),
            (0x6502, 0): _Object(4, lambda: 0x001),
        }

    def _serve(self, request: bytes) -> None:
        command, index, sub = request[0], int.from_bytes(request[1:3], "little"), request[3]
        if command == 0x80:  # the client gives up a transfer; there is none to give up
            return
        entry = self._objects.get((index, sub))
        if command & 0xE0 not in (0x20, 0x40) or (command & 0xE0 == 0x20 and not command & 0x02):
            answer = self._abort(request, UNKNOWN_COMMAND)  # segments: no object here is longer than four bytes
        elif entry is None:
            known = any(index == other for other, _ in self._objects)
            answer = self._abort(request, NO_SUB_INDEX if known else NO_OBJECT)
        elif command & 0xE0 == 0x40:
            value = entry.read().to_bytes(entry.length, "little", signed=entry.signed)
            answer = bytes([0x43 + 4 * (4 - entry.length)]) + request[1:4] + value.ljust(4, b"\0")
        else:
            answer = self._download(request, entry)
        self._send(0x580 + self.node_id, answer)

    def _download(self, request: bytes, entry: _Object) -> bytes:
        if entry.write is None:
            return self._abort(request, READ_ONLY)
        length = 4 - (request[0] >> 2 & 3) if request[0] & 0x01 else entry.length
        if length != entry.length:
            return self._abort(request, WRONG_LENGTH)
        code = entry.write(int.from_bytes(request[4 : 4 + length], "little", signed=entry.signed))
        return self._abort(request, code) if code else b"\x60" + request[1:4] + bytes(4)

    @staticmethod
    def _abort(request: bytes, code: int) -> bytes:
        return b"\x80" + request[1:4] + code.to_bytes(4, "little")

    def _set_heartbeat(self, period_ms: int) -> int:
        self._heartbeat_ms = period_ms
        self._restart("heartbeat", period_ms, self._beat)
        return 0

    def _set_event_timer(self, period_ms: int) -> int:
        self._event_timer_ms = period_ms
        self._restart("tpdo1", period_ms, self._push)
        return 0

    def _set_mode(self, mode: int) -> int:
        if mode not in (0, 1):  # none, profile position: what 0x6502 says
            return NOT_ALLOWED
        self.mode = mode
        return 0

    def _set_target(self, target: int) -> int:
        self.target = target
        return 0


def _command(word: int) -> Command:
    """The command bits of a controlword (facts.md C4)."""
    if not word & 0x02:
        return Command.DISABLE_VOLTAGE
    if not word & 0x04:
        return Command.QUICK_STOP
    if not word & 0x01:
        return Command.SHUTDOWN
    return Command.ENABLE_OPERATION if word & 0x08 else Command.SWITCH_ON
