"""
What every drive family offers: one set of verbs, whatever the frames look like.

Positions are counts of the drive, speeds and ramps are the raw integers that go on the wire (`plan` has already rounded
them with the dialect's `Scale`). A family is a module that makes a `Drive` of a dialect and a node number.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Protocol

from choreo.drive.conversation import Ask, Conversation, Tell
from choreo.frame import Frame
from choreo.wire.words import Setting

#: Reads a drive's own number of a frame, and how many numbers there are; None for a frame that is not numbered.
ReadCount = Callable[[Frame], tuple[int, int] | None]


@dataclass(frozen=True, slots=True)
class Status:
    """A drive's own word about itself. None where the dialect cannot say."""

    enabled: bool
    moving: bool
    fault: int  # 0: none
    homed: bool | None = None
    loaded: bool | None = None
    brake_applied: bool | None = None
    in_position: bool | None = None
    fault_text: str = ""


@dataclass(frozen=True, slots=True)
class Latch:
    """A position captured by the drive at an edge of the home switch; `counts` None while no edge was seen."""

    counts: int | None


@dataclass(frozen=True, slots=True)
class DriveEvent:
    """
    Something that a drive said unasked: `kind` is one of "fault", "boot", "position", "inputs", "in_position", "homed",
    "status". `value` is the fault code, the count, the inputs packed in the dialect's order, or a state as 1 or 0;
    `text` says it in words. `inputs` are the levels of an "inputs" event by the dialect's names: those that the frame
    holds.
    """

    node: int
    kind: str
    value: int
    text: str = ""
    inputs: Mapping[str, int] = field(default_factory=dict)
    status: Status | None = None  # of a "status" event


class Drive(Protocol):
    """The verbs of one drive. Every method returns at once; conversations are run by the session."""

    node: int
    dialect: str
    lane: int  # the identifier on which this drive's replies arrive
    event_ids: tuple[int, ...]  # identifiers on which it speaks unasked
    broadcast_starts: bool
    can_latch: bool
    own_count: (
        Callable[[Frame], tuple[int, int] | None] | None
    )  # reads its own number of a frame, and how many there are
    speed_is_set: bool  # the speed of a move is a setting, which its load writes first

    def poll_position(self) -> Ask:
        """The cheapest way to read the position once; the reply's value is a count."""
        ...

    def decode_event(self, frame: Frame) -> DriveEvent | None:
        """What an unasked frame on one of `event_ids` says; None when it says nothing to choreo."""
        ...

    def feed(self, message: str, count: int) -> Ask:
        """A message that does nothing, without values, and keeps the drive's watchdog fed; `count` is for an echo."""
        ...

    def echo(self, count: int) -> Conversation[int]:
        """A counted exchange; returns the count that came back. `count` is taken modulo the dialect's counter."""
        ...

    def echo_ask(self, count: int) -> Ask:
        """The same as a single `Ask`: the barrier that proves that no late reply is still to come."""
        ...

    def read_position(self) -> Conversation[int]:
        """The position, in counts."""
        ...

    def read_inputs(self) -> Conversation[Mapping[str, bool]]:
        """The drive's inputs by the dialect's names."""
        ...

    def poll_inputs(self) -> Ask:
        """One reading of the inputs; the reply's value is a mapping of the dialect's names to 0 and 1."""
        ...

    def set_output(self, output: int, on: bool) -> Conversation[None]:
        """Switch an output; returns when the drive has said so."""
        ...

    def status(self) -> Conversation[Status]:
        """The drive's own word about itself."""
        ...

    def read_setting(self, name: Setting) -> Conversation[int]:
        """The raw value of a setting."""
        ...

    def read_scale(self) -> Conversation[Mapping[str, int]]:
        """The settings that say what a count is, raw, by the dialect's names (P26); empty where it names none."""
        ...

    def write_setting(self, name: Setting, raw: int) -> Conversation[None]:
        """Reads first and writes only what differs (permanent memory wears, P23), then proves it by reading back."""
        ...

    def enable(self) -> Conversation[None]:
        """Power; returns when the drive says that it is enabled. MachineFault when it is in fault instead."""
        ...

    def disable(self) -> Conversation[None]:
        """Take power away; returns when the drive says that it is off. A vertical axis needs its brake first (P15)."""
        ...

    def set_brake(self, applied: bool) -> Conversation[None]:
        """Apply or release the holding brake; returns when the drive says so, where it can say."""
        ...

    def reset_fault(self) -> Conversation[None]:
        """Reset a fault; never done unasked (P17). Returns when the drive says that there is none."""
        ...

    def arm_latch(self) -> Conversation[None]:
        """Forget any captured edge and capture the position at the next edge of the home switch."""
        ...

    def read_latch(self) -> Conversation[Latch]:
        """What was captured since `arm_latch`."""
        ...

    def home_at(self, edge_counts: int) -> Conversation[None]:
        """Declare the position of the captured edge. Absolute in meaning: saying it twice changes nothing."""
        ...

    def move(self, target_counts: int, speed_raw: int) -> Conversation[None]:
        """Start an absolute move at once."""
        ...

    def preload(self, target_counts: int, speed_raw: int) -> Conversation[None]:
        """
        Load a move; returns when the drive has proved that it holds it. `target_counts` is the way to go where the
        dialect's loads are relative (`LoadRules.relative_to`), and the place otherwise.
        """
        ...

    def preload_nothing(self, here_counts: int, speed_raw: int) -> Conversation[None]:
        """The same for a drive that takes no part (P1): no way at all, 0 or the place where it is told to stand."""
        ...

    def clear_load(self) -> Conversation[None]:
        """Empty the drive of any load; returns when it has said so."""
        ...

    def start(self) -> Tell:
        """The start trigger: a broadcast, never repeated."""
        ...

    def stop_all(self) -> Tell:
        """The controlled stop of every drive; of this node alone where the dialect cannot broadcast it."""
        ...

    def quick_stop_all(self) -> Tell:
        """The quick stop of every drive; of this node alone where the dialect cannot broadcast it."""
        ...

    def stop(self) -> Tell:
        """The stop of this node alone. A frame without waiting for its answer: stops do not queue behind a lane."""
        ...

    def quick_stop(self) -> Tell:
        """The quick stop of this node alone."""
        ...

    def cut_power(self) -> list[Tell]:
        """Brake and power off at once, unanswered: for an axis that runs away (P14)."""
        ...
