"""A described dialect, compiled: what the rooms above see of it, and its frames."""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Literal, NamedTuple

from choreo.frame import Frame
from choreo.wire.described.frames.codec import Codec, Found, Role, Shape
from choreo.wire.described.frames.forms import Heading
from choreo.wire.described.frames.identifiers import Addressing
from choreo.wire.described.frames.quick import number_reader
from choreo.wire.dialect import TO_ALL, Decoded, LoadRules, Scale, ScaleSetting, Several, Timing, Watchdog
from choreo.wire.words import FrameClass, Setting


class Series(NamedTuple):
    """
    One verb as several frames, in order, all or nothing: `parts` are names in `Frames.requests` (and `replies`, where a
    part is answered). `gap_ns` lies between a reply (or an unanswered frame) and the next frame; the whole takes no
    longer than `within_ns`; `abort` is the message that undoes a part.
    """

    parts: tuple[str, ...]
    gap_ns: int
    within_ns: int
    abort: str | None


class Frames(NamedTuple):
    """
    Every form that a frame can have: requests and replies by message, events by kind. A message of several frames is in
    `series`, and its parts are in `requests` and `replies` as `preload.1`, `preload.2`.
    """

    addressing: Addressing
    requests: Mapping[str, Shape]
    replies: Mapping[str, Shape]
    error_reply: Shape | None
    events: Mapping[str, Shape]
    series: Mapping[str, Series] = MappingProxyType({})

    def parts(self, message: str) -> tuple[str, ...]:
        """The names of a message's frames, in order: its own where it has one frame; nothing where it has none."""
        if message in self.series:
            return self.series[message].parts
        return (message,) if message in self.requests else ()

    def carriers(self, message: str, field: str) -> tuple[Shape, ...]:
        """The request of `message` that carries a field, and the reply to it that does."""
        shapes = (table.get(part) for part in self.parts(message) for table in (self.requests, self.replies))
        return tuple(shape for shape in shapes if shape is not None and field in shape.layout.ranges)

    def all(self) -> tuple[Shape, ...]:
        """Requests, replies, the error reply, events."""
        error = () if self.error_reply is None else (self.error_reply,)
        return (*self.requests.values(), *self.replies.values(), *error, *self.events.values())


@dataclass(slots=True, eq=False)
class DescribedDialect:
    """
    Satisfies `choreo.wire.dialect.Dialect`; made by `load_dialect`, then only read.

    `numbers` are the settings' numbers on the wire, `permanent_settings` those that a power cycle does not forget.
    `states` is what a coded state in the status says (a set of words like `enabled`), `event_periods` how often an
    event is to be expected, in nanoseconds, `scale_settings` what is read before the first motion and compared (P26).
    """

    name: str
    title: str
    frames: Frames
    errors: Mapping[int, str]
    faults: Mapping[int, str]
    settings: Mapping[Setting, Scale]
    numbers: Mapping[Setting, int]
    permanent_settings: frozenset[Setting]
    move_speed: Scale
    loads: LoadRules
    stop_ramp: Setting
    quick_stop_ramp: Setting
    position_is: Literal["actual", "demanded"]
    position_message: str
    latch_switch: str | None
    timing: Timing
    profile: Literal["trapezoid", "jerk_limited"]
    states: Mapping[int, frozenset[str]] = field(default_factory=dict)
    event_periods: Mapping[str, int] = field(default_factory=dict)
    watchdog: Watchdog | None = None
    scale_settings: Mapping[str, ScaleSetting] = field(default_factory=dict)
    family: Literal["described", "cia402"] = "described"
    node_range: tuple[int, int] = field(init=False)
    position_range: tuple[int, int] = field(init=False)
    can_latch: bool = field(init=False)
    counter_modulus: int = field(init=False)
    poll_bytes: tuple[int, int] = field(init=False)
    _codec: Codec = field(init=False, repr=False)
    _by_number: Mapping[int, Setting] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        self.node_range = (self.frames.addressing.first, self.frames.addressing.last)
        self.position_range = self._position_range()
        self.can_latch = self.latch_switch is not None
        self.counter_modulus = 1 + min(
            shape.layout.ranges["count"][1] for shape in self.frames.carriers("echo", "count")
        )
        poll = self.position_message
        self.poll_bytes = (self.frames.requests[poll].layout.size, self.frames.replies[poll].layout.size)
        self._by_number = {number: setting for setting, number in self.numbers.items()}
        self._codec = Codec(self.frames.addressing, self.frames.all())

    def _position_range(self) -> tuple[int, int]:
        """What a target can be and its arrival be read back: the narrower of the fields."""
        ranges = [
            self.frames.replies[self.position_message].layout.ranges["position"],
            *(
                shape.layout.ranges["target"]
                for message in ("move", "preload")
                for shape in self.frames.carriers(message, "target")
            ),
        ]
        return max(low for low, _ in ranges), min(high for _, high in ranges)

    def setting_by_number(self, number: int) -> Setting | None:
        """Which setting a number on the wire names; None for one that choreo does not know by meaning."""
        return self._by_number.get(number)

    def decode(self, frame: Frame) -> Decoded | None:
        """Take any frame apart, by its actual length; None if it is none of the dialect's. Never raises."""
        found = self._codec.find(frame)
        if found is None:
            return None
        shape, node, values = found
        return Decoded(shape.message, shape.frame_class, node, values, shape.role is not Role.REQUEST)

    @property
    def start_frame(self) -> Frame | None:
        """The one frame that starts all loaded drives; None where each is numbered."""
        shape = self.frames.requests["start"]
        return None if shape.rolling is not None else self.encode("start", None)

    @property
    def stop_frames(self) -> tuple[Frame, ...]:
        """The frames that stop all drives, with the number 0 where they are numbered."""
        shapes = [self.frames.requests[name] for name in ("stop", "quick_stop")]
        return tuple(
            self._codec.encode(shape, None, dict.fromkeys(shape.layout.ranges, 0))
            for shape in shapes
            if shape.broadcast != "never"
        )

    def identifiers(self, nodes: Iterable[int]) -> tuple[int, ...]:
        """Of the frames to and from these nodes alone, each once."""
        shapes = [shape for shape in self.frames.all() if shape.broadcast != "only"]
        return tuple(dict.fromkeys(shape.identifier(node) for node in nodes for shape in shapes))

    def addressee(self, identifier: int) -> int | None:
        """The node in an identifier, `TO_ALL` for all of them; None where it belongs to none of its frames."""
        number = self._codec.addressee(identifier)
        return TO_ALL if number is not None and number == self.frames.addressing.broadcast else number

    def find(self, frame: Frame) -> Found | None:
        """Which shape a frame has and whose it is; None if it is none of the dialect's. Never raises."""
        return self._codec.find(frame)

    def encode(self, message: str, node: int | None, /, **values: int) -> Frame:
        """
        The request `message` to a node, or to all of them with None.

        Raises ValueError naming the message, the field, the value and what is allowed.
        """
        return self._codec.encode(self._shape(self.frames.requests, message), node, values)

    def encode_reply(self, message: str, node: int, /, **values: int) -> Frame:
        """The reply to `message`, as the drive `node` would send it. Raises ValueError like `encode`."""
        return self._codec.encode(self._shape(self.frames.replies, message), node, values)

    def encode_error(self, node: int, /, **values: int) -> Frame:
        """The data-error reply. Raises ValueError like `encode`."""
        if self.frames.error_reply is None:
            raise ValueError(f"dialect {self.name} has no error reply")
        return self._codec.encode(self.frames.error_reply, node, values)

    def encode_event(self, kind: str, node: int, /, **values: int) -> Frame:
        """An event. Raises ValueError like `encode`."""
        return self._codec.encode(self._shape(self.frames.events, kind), node, values)

    def compose(self, shape: Shape, node: int | None, values: Mapping[str, int]) -> Frame:
        """A frame of any shape of this dialect. Raises ValueError like `encode`."""
        return self._codec.encode(shape, node, values)

    def _shape(self, shapes: Mapping[str, Shape], message: str) -> Shape:
        shape = shapes.get(message)
        if shape is None:
            raise ValueError(f"dialect {self.name} has no such frame: {message!r}; it has {', '.join(shapes)}")
        return shape

    @property
    def status_words(self) -> frozenset[str]:
        """Everything that the status can say: its fields, and the words of coded states."""
        return frozenset(self.frames.replies["status"].layout.ranges).union(*self.states.values())

    def status_values(self, values: Mapping[str, int]) -> Mapping[str, int] | None:
        """
        The values of a status (reply or event) with its coded `state` in words: each word of `states` is 1 or 0. None
        for a state that the dialect does not explain.
        """
        if "state" not in values:
            return values
        says = self.states.get(values["state"])
        if says is None:
            return None
        return {**{word: int(word in says) for words in self.states.values() for word in words}, **values}

    def position_reader(self, node: int | None = None) -> Callable[[bytes], int | None]:
        """
        From the data of a reply of `node` to the position in counts, as quickly as can be; None for any other payload,
        and for a position that means something else. The node counts where a checksum covers it.
        """
        shape = self.frames.replies[self.position_message]
        heading = None
        if node is not None:
            heading = Heading.of(shape.identifier(node), node, extended=self.extended)
        return number_reader(shape.layout, "position", heading)

    @property
    def extended(self) -> bool:
        """Whether its identifiers have 29 bits."""
        return self.frames.addressing.bits > 11

    @property
    def event_bytes(self) -> Mapping[str, int]:
        """Data bytes of the events that are to be expected, by kind."""
        return {kind: self.frames.events[kind].layout.size for kind in self.event_periods}

    @property
    def speed_is_set(self) -> bool:
        """Whether a load carries no speed: it is a setting, which is written before the load."""
        return not any("speed" in self.frames.requests[part].layout.ranges for part in self.frames.parts("preload"))

    @property
    def several(self) -> Mapping[str, Several]:
        """Messages of several frames."""
        return {
            message: Several(len(series.parts), (len(series.parts) - 1) * series.gap_ns)
            for message, series in self.frames.series.items()
        }

    @property
    def input_names(self) -> tuple[str, ...]:
        """The bits of the reply to `read_inputs`, by the names of the dialect; empty where there is none."""
        reply = self.frames.replies.get("read_inputs")
        if reply is None:
            return ()
        return tuple(name for name, ends in reply.layout.ranges.items() if ends == (0, 1) and name != "rolling")

    @property
    def input_bytes(self) -> tuple[int, int]:
        """Data bytes of `read_inputs` and of its reply."""
        frames = self.frames
        if "read_inputs" not in frames.requests or "read_inputs" not in frames.replies:
            return 0, 0
        return frames.requests["read_inputs"].layout.size, frames.replies["read_inputs"].layout.size

    @property
    def output_range(self) -> tuple[int, int] | None:
        """What `output` of `set_output` can hold."""
        request = self.frames.requests.get("set_output")
        return None if request is None else request.layout.ranges["output"]

    def class_of(self, message: str) -> FrameClass:
        """What a request can do to a machine."""
        return self._shape(self.frames.requests, message).frame_class
