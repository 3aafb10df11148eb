"""A described dialect, compiled: what the rooms above see of it, and its frames."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Literal, NamedTuple

from choreo.frame import Frame
from choreo.wire.described.codec import Addressing, Codec, Role, Shape, number_reader
from choreo.wire.dialect import Decoded, LoadRules, RawScale, Timing
from choreo.wire.words import FrameClass, Setting


class Frames(NamedTuple):
    """Every form that a frame can have: requests and replies by message, events by kind."""

    addressing: Addressing
    requests: Mapping[str, Shape]
    replies: Mapping[str, Shape]
    error_reply: Shape | None
    events: Mapping[str, Shape]

    def all(self) -> tuple[Shape, ...]:
        """Requests, replies, the error reply, events."""
        error = () if self.error_reply is None else (self.error_reply,)
        return (*self.requests.values(), *self.replies.values(), *error, *self.events.values())


@dataclass(slots=True, eq=False)
class DescribedDialect:
    """
    Satisfies `choreo.wire.dialect.Dialect`; made by `load_dialect`, then only read.

    `numbers` are the settings' numbers on the wire, `permanent_settings` those that a power cycle does not forget.
    """

    name: str
    title: str
    frames: Frames
    errors: Mapping[int, str]
    faults: Mapping[int, str]
    settings: Mapping[Setting, RawScale]
    numbers: Mapping[Setting, int]
    permanent_settings: frozenset[Setting]
    move_speed: RawScale
    loads: LoadRules
    stop_ramp: Setting
    quick_stop_ramp: Setting
    position_is: Literal["actual", "demanded"]
    position_message: str
    latch_switch: str | None
    timing: Timing
    profile: Literal["trapezoid", "jerk_limited"]
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
        self.counter_modulus = self.frames.requests["echo"].layout.ranges["count"][1] + 1
        poll = self.position_message
        self.poll_bytes = (self.frames.requests[poll].layout.size, self.frames.replies[poll].layout.size)
        self._by_number = {number: setting for setting, number in self.numbers.items()}
        self._codec = Codec(self.frames.addressing, self.frames.all())

    def _position_range(self) -> tuple[int, int]:
        """What a target can be and its arrival be read back: the narrower of the fields."""
        ranges = [
            self.frames.requests["move"].layout.ranges["target"],
            self.frames.requests["preload"].layout.ranges["target"],
            self.frames.replies[self.position_message].layout.ranges["position"],
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
        shape, node = found
        return Decoded(
            message=shape.message,
            frame_class=shape.frame_class,
            node=node,
            values=shape.layout.decode(frame.data),
            from_drive=shape.role is not Role.REQUEST,
        )

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

    def _shape(self, shapes: Mapping[str, Shape], message: str) -> Shape:
        shape = shapes.get(message)
        if shape is None:
            raise ValueError(f"dialect {self.name} has no such frame: {message!r}; it has {', '.join(shapes)}")
        return shape

    def position_reader(self) -> Callable[[bytes], int | None]:
        """From the data of a reply to the position in counts, as quickly as can be; None for any other payload."""
        return number_reader(self.frames.replies[self.position_message].layout, "position")

    def class_of(self, message: str) -> FrameClass:
        """What a request can do to a machine."""
        return self._shape(self.frames.requests, message).frame_class
