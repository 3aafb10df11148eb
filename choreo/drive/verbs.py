"""
What every drive family offers: one set of verbs, whatever the frames look like.

Positions are counts of the drive, speeds and ramps are the raw integers that go on the wire (`plan` has already rounded
them with the dialect's `RawScale`). A family is a module that makes a `Drive` of a dialect and a node number.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Protocol

from choreo.drive.conversation import Ask, Conversation, Tell
from choreo.frame import Frame
from choreo.wire.words import Setting


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
    Something that a drive said unasked: `kind` is one of "fault", "boot", "position", "inputs", "in_position". `value`
    is the fault code, the count, or the inputs packed in the dialect's order, and `text` says it in words.
    """

    node: int
    kind: str
    value: int
    text: str = ""


class Drive(Protocol):
    """The verbs of one drive. Every method returns at once; conversations are run by the session."""

    node: int
    dialect: str
    lane: int  # the identifier on which this drive's replies arrive
    event_ids: tuple[int, ...]  # identifiers on which it speaks unasked
    broadcast_starts: bool
    can_latch: bool

    def poll_position(self) -> Ask:
        """The cheapest way to read the position once; the reply's value is a count."""
        ...

    def decode_event(self, frame: Frame) -> DriveEvent | None:
        """What an unasked frame on one of `event_ids` says; None when it says nothing to choreo."""
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

    def status(self) -> Conversation[Status]:
        """The drive's own word about itself."""
        ...

    def read_setting(self, name: Setting) -> Conversation[int]:
        """The raw value of a setting."""
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
        """Load an absolute move; returns when the drive has proved that it holds it."""
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
