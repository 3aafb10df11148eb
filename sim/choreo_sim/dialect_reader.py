"""
The simulated drive's own reading of a described dialect: which bytes mean what, seen from the drive.

It shares no code with choreo's codecs, so that one misreading of a dialect file cannot hide another. Physical values
are in counts, counts/s, counts/s² and counts/s³ (per cent for torque).
"""

import struct
from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from pathlib import Path
from typing import Literal, NamedTuple

import choreo
from choreo.frame import Frame
from choreo_sim.yaml_tree import Node, read_text, tree_of

#: Where the dialects that ship lie; read as data only.
SHIPPED = Path(choreo.__file__).parent / "wire" / "dialects"

_STRUCT = {(8, False): "B", (8, True): "b", (16, False): "H", (16, True): "h", (32, False): "I", (32, True): "i"}
_SETTING_UNITS = {unit: Fraction(1) for unit in ("counts", "counts/s", "counts/s^2", "counts/s^3", "%")}


ByteOrder = Literal["little", "big"]


class Slot(NamedTuple):
    """One field of a payload, `size` bytes from `offset`."""

    name: str
    offset: int
    size: int
    signed: bool


class Form:
    """The bytes of one payload: constants, and fields that are packed and unpacked in the order of the file."""

    __slots__ = ("_order", "_tail", "constants", "length", "masks", "prefix", "slots")

    def __init__(self, items: Node, order: "ByteOrder") -> None:
        self.slots: list[Slot] = []
        self.constants: list[tuple[int, int]] = []  # (offset, value)
        self.masks: dict[str, int] = {}  # of named bits, within their byte
        self._order = order
        offset = 0
        for item in items.items():
            offset += self._place(item, offset)
        if offset > 8:
            raise items.error(f"the payload has {offset} bytes; a CAN frame holds 8")
        self.length = offset
        self.prefix = bytes(value for _, value in self.constants)
        self._tail = self._as_struct()

    def _place(self, item: Node, offset: int) -> int:
        ((key, node),) = item.mapping().items() if len(item.mapping()) == 1 else (("", item),)
        if key == "constant":
            self.constants.append((offset, node.integer(0, 255)))
            return 1
        if key == "bits":
            for place, bit in enumerate(node.items()):
                if bit.text() != "-":
                    self.masks[bit.text()] = 1 << place
            self.slots.append(Slot("bits", offset, 1, False))
            return 1
        kind, _, width = (node.text() if key else "").partition(" ")
        if kind not in ("signed", "unsigned") or width not in ("8", "16", "24", "32"):
            raise item.error(
                "a simulated drive reads {constant: N}, {bits: [...]} and {name: signed|unsigned 8|16|24|32}"
            )
        self.slots.append(Slot(key, offset, int(width) // 8, kind == "signed"))
        return int(width) // 8

    def _as_struct(self) -> struct.Struct | None:
        """A fast packer, where constants come first and every field is of an ordinary width."""
        if [place for place, _ in self.constants] != list(range(len(self.constants))):
            return None
        codes = [_STRUCT.get((slot.size * 8, slot.signed)) for slot in self.slots]
        if None in codes:
            return None
        return struct.Struct(("<" if self._order == "little" else ">") + "".join(code or "" for code in codes))

    def pack(self, *values: int) -> bytes:
        """The payload that holds `values`, in the order of the fields."""
        if self._tail is not None:
            return self.prefix + self._tail.pack(*values)
        data = bytearray(self.length)
        for offset, constant in self.constants:
            data[offset] = constant
        for slot, value in zip(self.slots, values, strict=True):
            data[slot.offset : slot.offset + slot.size] = value.to_bytes(slot.size, self._order, signed=slot.signed)
        return bytes(data)

    def unpack(self, data: bytes) -> dict[str, int] | None:
        """The fields by name; None when length or constants do not fit."""
        if len(data) != self.length or any(data[offset] != value for offset, value in self.constants):
            return None
        return {
            name: int.from_bytes(data[offset : offset + size], self._order, signed=signed)
            for name, offset, size, signed in self.slots
        }


@dataclass(frozen=True, slots=True)
class Message:
    """One message of the dialect: what a request does (`frame_class`), who may be addressed, and how it is answered."""

    name: str
    frame_class: str
    broadcast: str  # "never", "allowed" or "only"
    request_base: int
    request: Form
    reply_base: int | None
    reply: Form | None


@dataclass(frozen=True, slots=True)
class SettingRule:
    """One setting: `step` is what a raw 1 means; raw values in `special` mean something else (0: no limit)."""

    name: str
    number: int
    step: Fraction
    low: int
    high: int
    special: frozenset[int]


@dataclass(frozen=True, slots=True)
class LoadRules:
    """What a held move is (practice.md P1)."""

    second_load: str  # replaces, queues, adds, refused
    at_trigger: str  # consumed, kept
    cleared_by: frozenset[str]
    survives: frozenset[str]
    relative_to: str  # never, target, demand, actual


@dataclass(frozen=True, slots=True)
class DriveDialect:
    """A dialect as a drive knows it. Times are nanoseconds."""

    name: str
    nodes: tuple[int, int]
    broadcast: int
    extended: bool
    messages: Mapping[str, Message]
    error_base: int
    error_form: Form
    errors: Mapping[str, int]  # code by text
    event_base: Mapping[str, int]
    events: Mapping[str, Form]
    faults: Mapping[str, int]  # code by text
    settings: Mapping[int, SettingRule]  # by number
    loads: LoadRules
    move_speed: str
    stop_ramp: str
    quick_stop_ramp: str
    jerk_limited: bool
    reply_within_ns: int
    cycle_ns: int
    latch_ns: int

    def setting(self, name: str) -> SettingRule:
        """The setting of that name; KeyError if the dialect has none."""
        return next(rule for rule in self.settings.values() if rule.name == name)

    def error_code(self, text: str) -> int:
        """The code for a reason; the lowest code of all where the dialect has no such reason."""
        return self.errors.get(text, min(self.errors.values()))

    def fault_code(self, text: str) -> int:
        """The code for a fault; the lowest code of all where the dialect has no such fault."""
        return self.faults.get(text, min(self.faults.values()))

    def request_of(self, frame: Frame) -> tuple[Message, int, dict[str, int]] | None:
        """Which request a frame is, its node (the broadcast node included) and its fields; None if it is none."""
        if frame.remote or frame.extended != self.extended:
            return None
        for message in self.messages.values():
            node = frame.id - message.request_base
            if node == self.broadcast or self.nodes[0] <= node <= self.nodes[1]:
                values = message.request.unpack(frame.data)
                if values is not None:
                    return message, node, values
        return None

    def reply_of(self, frame: Frame) -> tuple[Message, int, dict[str, int]] | None:
        """Which reply of a drive a frame is; None for error replies, events and everything else."""
        if frame.remote or frame.extended != self.extended:
            return None
        for message in self.messages.values():
            if message.reply is None or message.reply_base is None:
                continue
            node = frame.id - message.reply_base
            if self.nodes[0] <= node <= self.nodes[1]:
                values = message.reply.unpack(frame.data)
                if values is not None:
                    return message, node, values
        return None


def read_dialect(path: Path) -> DriveDialect:
    """The dialect of a file; RecipeError with its place for what a simulated drive cannot speak."""
    return _dialect_of(read_text(path), path.name)


@lru_cache(maxsize=16)
def _dialect_of(text: str, name: str) -> DriveDialect:
    root = tree_of(text, name)
    identifiers = root.need("identifiers").mapping()
    extended = identifiers["bits"].integer(11, 29) == 29 if "bits" in identifiers else False
    bases = {name: node.need("base").integer(0, 0x1FFFFFFF) for name, node in identifiers.items() if name != "bits"}
    order: ByteOrder = "little" if root.need("byte_order").one_of(("little", "big")) == "little" else "big"
    nodes = root.need("nodes")
    error = root.need("error_reply")
    events = root.mapping().get("events", Node(root.place, {})).mapping()
    timing = root.need("timing")
    return DriveDialect(
        name=root.need("name").text(),
        nodes=(nodes.need("from").integer(0, 1 << 20), nodes.need("to").integer(0, 1 << 20)),
        broadcast=nodes.need("broadcast").integer(0, 1 << 20),
        extended=extended,
        messages={name: _message(name, node, bases, order) for name, node in root.need("messages").mapping().items()},
        error_base=_base(error.need("on"), bases),
        error_form=Form(error.need("payload"), order),
        errors=_codes(root.need("errors")),
        event_base={name: _base(node.need("on"), bases) for name, node in events.items()},
        events={name: Form(node.need("payload"), order) for name, node in events.items()},
        faults=_codes(root.need("faults")),
        settings={rule.number: rule for rule in map(_setting, *_columns(root.need("settings")))},
        loads=_loads(root.need("loads")),
        move_speed=root.need("move_speed").need("setting").text(),
        stop_ramp=root.need("stops").need("stop").need("ramp").text(),
        quick_stop_ramp=root.need("stops").need("quick_stop").need("ramp").text(),
        jerk_limited=root.need("profile").one_of(("jerk_limited", "trapezoid")) == "jerk_limited",
        reply_within_ns=timing.need("reply_within").time_ns(),
        cycle_ns=timing.need("cycle").time_ns(),
        latch_ns=timing.need("latch").time_ns(),
    )


def _columns(settings: Node) -> tuple[list[str], list[Node]]:
    return list(settings.mapping()), list(settings.mapping().values())


def _base(node: Node, bases: Mapping[str, int]) -> int:
    return bases[node.one_of(bases)]


def _codes(node: Node) -> dict[str, int]:
    codes = {}
    for code, text in node.mapping().items():
        codes[text.text()] = Node(text.place, code).integer(0, 255)
    if not codes:
        raise node.error("at least one code is needed here")
    return codes


def _message(name: str, node: Node, bases: Mapping[str, int], order: ByteOrder) -> Message:
    request = node.need("request")
    reply = node.mapping().get("reply")
    broadcast = node.mapping().get("broadcast")
    return Message(
        name=name,
        frame_class=node.need("class").text(),
        broadcast=broadcast.one_of(("never", "allowed", "only")) if broadcast else "never",
        request_base=_base(request.need("on"), bases),
        request=Form(request.need("payload"), order),
        reply_base=_base(reply.need("on"), bases) if reply else None,
        reply=Form(reply.need("payload"), order) if reply else None,
    )


def _setting(name: str, node: Node) -> SettingRule:
    special = node.mapping().get("special")
    return SettingRule(
        name=name,
        number=node.need("number").integer(0, 0xFFFF),
        step=node.need("unit").amount(_SETTING_UNITS),
        low=node.need("from").integer(0, (1 << 32) - 1),
        high=node.need("to").integer(0, (1 << 32) - 1),
        special=frozenset(Node(special.place, key).integer(0, 1 << 32) for key in special.mapping())
        if special
        else frozenset(),
    )


def _loads(node: Node) -> LoadRules:
    return LoadRules(
        second_load=node.need("second_load").one_of(("replaces", "queues", "adds", "refused")),
        at_trigger=node.need("at_trigger").one_of(("consumed", "kept")),
        cleared_by=frozenset(entry.text() for entry in node.need("cleared_by").items()),
        survives=frozenset(entry.text() for entry in node.need("survives").items()),
        relative_to=node.need("relative_to").one_of(("never", "target", "demand", "actual")),
    )
