"""
CiA 402 as a dialect, as far as its verbs go: reading over SDO, and what a drive sends unasked.

Whatever else is on the bus is none of this dialect's for now, so the guard lets no controlword and no PDO leave.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Literal

from choreo.frame import Frame
from choreo.wire.cia402.emcy import EMCY_BASE, read_emergency
from choreo.wire.cia402.objects import SETTING_OBJECTS
from choreo.wire.cia402.pdo import POSITION_SAMPLE, TPDO1_BASE
from choreo.wire.cia402.sdo import ANSWER_BASE, REQUEST_BASE, UPLOAD_REQUEST, Abort, UploadAnswer, read_answer
from choreo.wire.dialect import TO_ALL, Decoded, LoadRules, RawScale, Scale, ScaleSetting, Several, Timing, Watchdog
from choreo.wire.words import FrameClass, Setting

#: Heartbeat and boot-up come on 0x700 + node (facts.md B4; CiA 301); the boot-up's one byte is 0.
HEARTBEAT_BASE = 0x700
BOOT_UP = 0
#: What each node has of the pre-defined connection set: EMCY, TPDO and RPDO 1 to 4, SDO, NMT error control.
NODE_BASES = (EMCY_BASE, *range(0x180, 0x580, 0x80), ANSWER_BASE, REQUEST_BASE, HEARTBEAT_BASE)

_MOST_U32 = 0xFFFF_FFFF
_MONITORING_OFF = {_MOST_U32: "monitoring off"}


def _settings() -> dict[Setting, Scale]:
    """One user position unit is taken as one count: the factor objects must be 1:1 (facts.md C10, C14)."""
    one = RawScale(Fraction(1), 1, _MOST_U32)
    scales: dict[Setting, Scale] = dict.fromkeys(SETTING_OBJECTS, one)
    scales[Setting.FOLLOWING_ERROR] = RawScale(Fraction(1), 1, _MOST_U32, special=_MONITORING_OFF)
    scales[Setting.TORQUE_LIMIT] = RawScale(Fraction(1, 10), 1, 0xFFFF)  # 0.1 % of rated torque
    return scales


# A synchronous RPDO takes the last data before the SYNC (facts.md B13), acts once on its set-point bit, and waits until
# it is overwritten, whatever the drive does meanwhile (practice.md P16). Targets are absolute (P1).
_LOADS = LoadRules(
    second_load="replaces",
    at_trigger="consumed",
    cleared_by=frozenset({"clear_load"}),
    survives=frozenset({"stop", "quick_stop", "disable"}),
    relative_to="never",
)
# CiA 301 fixes no SDO timeout (facts.md B9); these are ours.
_TIMING = Timing(reply_within_ns=50_000_000, gap_ns=0, cycle_ns=4_000_000, latch_ns=0)


@dataclass(slots=True, eq=False)
class Cia402Dialect:
    """Satisfies `choreo.wire.dialect.Dialect`. `CIA402` is the one instance."""

    name: str = "cia402"
    family: Literal["described", "cia402"] = "cia402"
    node_range: tuple[int, int] = (1, 127)
    settings: Mapping[Setting, Scale] = field(default_factory=_settings)
    move_speed: Scale = field(init=False)
    position_range: tuple[int, int] = (-(1 << 31), (1 << 31) - 1)
    extended: bool = False
    speed_is_set: bool = False
    watchdog: Watchdog | None = None
    event_periods: Mapping[str, int] = field(default_factory=dict)
    event_bytes: Mapping[str, int] = field(default_factory=dict)
    several: Mapping[str, Several] = field(default_factory=dict)
    scale_settings: Mapping[str, ScaleSetting] = field(default_factory=dict)  # 0x608F and 0x6091 are not read yet
    permanent_settings: frozenset[Setting] = frozenset()  # nothing is stored without 0x1010
    loads: LoadRules = _LOADS
    stop_ramp: Setting = Setting.ACCELERATION  # halt option 1 and profile deceleration, set alike
    quick_stop_ramp: Setting = Setting.QUICK_STOP
    position_is: Literal["actual", "demanded"] = "actual"
    can_latch: bool = False
    counter_modulus: int = 1  # CiA 301 has no counted echo: an answer is told by its index and sub-index
    timing: Timing = _TIMING
    profile: Literal["trapezoid", "jerk_limited"] = "trapezoid"  # 0x6086 = 0, a linear ramp
    position_message: str = "sdo_upload"
    poll_bytes: tuple[int, int] = (8, 8)
    input_names: tuple[str, ...] = ()  # not offered yet
    input_bytes: tuple[int, int] = (0, 0)
    output_range: tuple[int, int] | None = None

    def __post_init__(self) -> None:
        self.move_speed = self.settings[Setting.SPEED]

    def setting_by_number(self, number: int) -> Setting | None:
        """Which setting an object index names."""
        return next((setting for setting, entry in SETTING_OBJECTS.items() if entry.index == number), None)

    @property
    def start_frame(self) -> Frame | None:
        """SYNC (facts.md B1; CiA 301)."""
        return Frame(EMCY_BASE, b"")

    @property
    def stop_frames(self) -> tuple[Frame, ...]:
        """None: an NMT stop silences the drives instead of stopping them (practice.md P16)."""
        return ()

    def identifiers(self, nodes: Iterable[int]) -> tuple[int, ...]:
        """The pre-defined connection set of each node (facts.md B1; CiA 301)."""
        return tuple(base + node for node in nodes for base in NODE_BASES)

    def addressee(self, identifier: int) -> int | None:
        """The node in an identifier of the pre-defined connection set."""
        base, node = identifier & ~0x7F, identifier & 0x7F
        if identifier in (0, EMCY_BASE, 0x100):  # NMT, SYNC, TIME
            return TO_ALL
        return node if base in NODE_BASES and node else None

    def decode(self, frame: Frame) -> Decoded | None:
        """Take a frame apart; None for all that these verbs do not use. Never raises."""
        if frame.extended or frame.remote:
            return None
        node = frame.id & 0x7F
        decoder = _DECODERS.get(frame.id - node)
        if decoder is None or node == 0:
            return None
        told = decoder(frame.data)
        if told is None:
            return None
        message, values = told
        return Decoded(message, FrameClass.NEUTRAL, node, values, frame.id - node != REQUEST_BASE)


_Told = tuple[str, dict[str, int]]


def _request(data: bytes) -> _Told | None:
    if len(data) != 8 or data[0] != UPLOAD_REQUEST:
        return None
    return "sdo_upload", {"index": data[1] | data[2] << 8, "subindex": data[3]}


def _answer(data: bytes) -> _Told | None:
    answer = read_answer(data)
    if isinstance(answer, UploadAnswer):
        value = int.from_bytes(answer.data, "little")  # unsigned: the type is the object's, not the frame's
        return "sdo_upload", {"index": answer.index, "subindex": answer.subindex, "value": value}
    if isinstance(answer, Abort):
        return "sdo_abort", {"index": answer.index, "subindex": answer.subindex, "code": answer.code}
    return None


def _sample(data: bytes) -> _Told | None:
    values = POSITION_SAMPLE.decode(data)
    return None if values is None else ("position", {"statusword": values[0], "position": values[1]})


def _emergency(data: bytes) -> _Told | None:
    emergency = read_emergency(data)
    return None if emergency is None else ("fault", {"code": emergency.code, "register": emergency.register})


def _heartbeat(data: bytes) -> _Told | None:
    if len(data) != 1:
        return None
    return "boot" if data[0] == BOOT_UP else "heartbeat", {"state": data[0]}


_DECODERS = {
    REQUEST_BASE: _request,
    ANSWER_BASE: _answer,
    TPDO1_BASE: _sample,
    EMCY_BASE: _emergency,
    HEARTBEAT_BASE: _heartbeat,
}

CIA402 = Cia402Dialect()
