"""A dialect as a drive knows it: plain data, and which of its messages a frame is. Times are nanoseconds."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from fractions import Fraction

from choreo.frame import Frame
from choreo_sim.dialect.checksums import Address
from choreo_sim.dialect.form import Form
from choreo_sim.dialect.identifiers import Range
from choreo_sim.dialect.layout import Verdict
from choreo_sim.dialect.scales import SettingRule

#: Stands for the broadcast number of a dialect that has none: no frame carries it.
NO_BROADCAST = -1
FINEST = 1_000_000  # parts of a count/s that a speed given as a float is taken for exact to
#: What a refusal or a fault is called where the dialect lists none.
ONLY_CODE = 1


@dataclass(frozen=True, slots=True)
class Speech:
    """Something that a drive says: on which identifiers, and in which form; an event perhaps once `every_ns`."""

    range: Range
    form: Form
    every_ns: int = 0


def framed(where: Range, form: Form, node: int, values: Mapping[str, int], extended: bool) -> Frame:
    """The frame that carries `values` under a node number."""
    identifier = where.identifier(node)
    return Frame(identifier, form.build(values, Address(identifier, extended, node)), extended)


@dataclass(frozen=True, slots=True)
class Message:
    """
    One frame that a drive is sent: what it does (`frame_class`), who may be addressed, and how it is answered.

    A verb of several frames has one of these a frame: this one is `part` (from 1) of `parts`; `gap_ns` must lie between
    an answer and the next part, all must have come `within_ns` of the first, and the message `abort` undoes some.
    """

    name: str
    frame_class: str
    broadcast: str  # "never", "allowed" or "only"
    request_range: Range
    request: Form
    answer: Speech | None
    means: str = "done"  # what the reply means: received, accepted, done
    part: int = 1
    parts: int = 1
    gap_ns: int = 0
    within_ns: int = 0
    abort: str = ""

    @property
    def reply(self) -> Form | None:
        """The form of the reply; None if there is none."""
        return self.answer.form if self.answer is not None else None

    @property
    def request_base(self) -> int:
        """The identifier of the request for a node number of 0."""
        return self.request_range.identifier(0)

    @property
    def reply_base(self) -> int | None:
        """The identifier of the reply of a node number of 0."""
        return self.answer.range.identifier(0) if self.answer is not None else None

    @property
    def echoed(self) -> bool:
        """Whether the reply repeats the request's rolling counter."""
        return self.request.rolling is not None and self.request.rolling.echoed

    @property
    def last(self) -> bool:
        """Whether the verb is complete with it."""
        return self.part == self.parts

    def request_frame(self, node: int, values: Mapping[str, int], *, extended: bool) -> Frame:
        """The request to a node, or to the broadcast number; a field that `values` does not name is 0."""
        return framed(self.request_range, self.request, node, values, extended)

    def reply_frame(self, node: int, values: Mapping[str, int], *, extended: bool) -> Frame:
        """The reply of a node; a field that `values` does not name is 0. The message must have one."""
        assert self.answer is not None
        return framed(self.answer.range, self.answer.form, node, values, extended)


@dataclass(frozen=True, slots=True)
class LoadRules:
    """What a held move is (practice.md P1)."""

    second_load: str  # replaces, queues, adds, refused
    at_trigger: str  # consumed, kept
    cleared_by: frozenset[str]
    survives: frozenset[str]
    relative_to: str  # never, target, demand, actual


@dataclass(frozen=True, slots=True)
class WatchdogRule:
    """The drive does `then` by itself when it has heard none of `fed_by` (None: nothing at all) for `within_ns`."""

    within_ns: int
    fed_by: frozenset[str] | None
    then: str  # stop, quick_stop, disable


@dataclass(frozen=True, slots=True, kw_only=True)
class DriveDialect:
    """A dialect as a drive knows it. A verb of several frames stands in `messages` with its first frame."""

    name: str
    nodes: tuple[int, int]
    broadcast: int
    extended: bool
    messages: Mapping[str, Message]
    exchanges: tuple[Message, ...]  # all messages, each frame of a verb of several by itself
    error_reply: Speech | None
    errors: Mapping[str, int]  # code by text
    event_speech: Mapping[str, Speech]
    faults: Mapping[str, int]  # code by text
    settings: Mapping[int, SettingRule]  # by number
    loads: LoadRules
    move_speed: str  # a name for `setting`; empty where moves carry no speed and there is no such setting
    own_speed: SettingRule | None = None  # the scale of the speed of moves, where it is no setting's
    stop_ramp: str
    quick_stop_ramp: str
    jerk_limited: bool
    position_is: str = "actual"
    position_message: str = "read_position"
    states: Mapping[int, frozenset[str]] = field(default_factory=dict)
    permanent: frozenset[str] = frozenset()  # settings that survive the loss of the supply
    scale_settings: Mapping[int, SettingRule] = field(default_factory=dict)  # by number
    watchdog: WatchdogRule | None = None
    reply_within_ns: int
    gap_ns: int = 0
    quiet_ns: Mapping[str, int] = field(default_factory=dict)  # after a message
    cycle_ns: int
    latch_ns: int

    def position_range(self, message: str | None = None) -> tuple[int, int]:
        """What the position in a reply can hold; of the message that positions are polled with if none is named."""
        found = self.messages.get(message or self.position_message)
        held = found.reply.range_of("position") if found is not None and found.reply is not None else None
        return held or (-(1 << 31), (1 << 31) - 1)

    @property
    def events(self) -> Mapping[str, Form]:
        """The forms of the events."""
        return {name: speech.form for name, speech in self.event_speech.items()}

    @property
    def event_base(self) -> Mapping[str, int]:
        """The identifiers of the events of a node number of 0."""
        return {name: speech.range.identifier(0) for name, speech in self.event_speech.items()}

    def setting(self, name: str) -> SettingRule:
        """The setting of that name, or the speed of moves; KeyError if the dialect has none."""
        if self.own_speed is not None and name == self.own_speed.name:
            return self.own_speed
        for rule in self.settings.values():
            if rule.name == name:
                return rule
        raise KeyError(name)

    def has_setting(self, name: str) -> bool:
        """Whether there is a setting of that name."""
        return any(rule.name == name for rule in self.settings.values())

    def speed_code(self, speed: float) -> int | None:
        """The raw speed of a move for counts/s, the next lower that there is; None where moves carry none."""
        carried = any(name in self.messages and self._carries_speed(name) for name in ("preload", "move"))
        return self.setting(self.move_speed).nearest(Fraction(speed).limit_denominator(FINEST)) if carried else None

    def _carries_speed(self, name: str) -> bool:
        return any("speed" in frame.request.names for frame in self.exchanges if frame.name == name)

    def error_code(self, text: str) -> int:
        """The code for a reason; the lowest code of all where the dialect has no such reason."""
        return self.errors.get(text, min(self.errors.values(), default=ONLY_CODE))

    def fault_code(self, text: str) -> int:
        """The code for a fault; the lowest code of all, 0 excepted, where the dialect has no such fault."""
        return self.faults.get(text, min((code for code in self.faults.values() if code), default=ONLY_CODE))

    def request_of(self, frame: Frame) -> tuple[Message, int, dict[str, int]] | None:
        """Which request a frame is, its node (the broadcast node included) and its fields; None if it is none."""
        if frame.remote or frame.extended != self.extended:
            return None
        for message in self.exchanges:
            node = message.request_range.node_of(frame.id)
            if node is not None and (node == self.broadcast or self.nodes[0] <= node <= self.nodes[1]):
                values = message.request.unpack(frame.data, Address(frame.id, frame.extended, node))
                if values is not None:
                    return message, node, values
        return None

    def reply_of(self, frame: Frame) -> tuple[Message, int, dict[str, int]] | None:
        """Which reply of a drive a frame is; None for error replies, events and everything else."""
        for message in self.exchanges:
            if message.answer is not None:
                found = self._said(message.answer, frame)
                if found is not None:
                    return message, *found
        return None

    def event_of(self, frame: Frame) -> tuple[str, int, dict[str, int]] | None:
        """Which event of a drive a frame is, its node and its fields; `error_reply` is one of them here."""
        refusal = {"error_reply": self.error_reply} if self.error_reply is not None else {}
        for name, speech in {**self.event_speech, **refusal}.items():
            found = self._said(speech, frame)
            if found is not None:
                return name, *found
        return None

    def _said(self, speech: Speech, frame: Frame) -> tuple[int, dict[str, int]] | None:
        if frame.remote or frame.extended != self.extended:
            return None
        node = speech.range.node_of(frame.id)
        if node is None or not self.nodes[0] <= node <= self.nodes[1]:
            return None
        verdict, values = speech.form.read(frame.data, Address(frame.id, frame.extended, node))
        return (node, dict(values)) if verdict is Verdict.FITS else None
