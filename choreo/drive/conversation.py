"""
What a conversation may want of the bus, and what it gets back.

A conversation is a generator. It yields `Ask`, `Tell` or `Pause`; after an `Ask` it is sent the `Reply`, after a `Tell`
that asks for it the time at which it left, and otherwise None. What it returns is the result of the verb. It raises
`RefusedByDrive` for a data-error reply and `MachineFault` for a drive that answers what it must not.
"""

from collections.abc import Callable, Generator
from dataclasses import dataclass
from typing import Any, TypeVar

from choreo.frame import Frame

T = TypeVar("T")

#: Reads a reply: its value, None for a frame that is no reply to this request; raises for a data-error reply.
Decode = Callable[[Frame], Any]


@dataclass(frozen=True, slots=True)
class Tell:
    """
    A frame that nobody answers. With `confirm`, the conversation goes on when the frame has left on the wire, and is
    sent that time. `anew` makes the frame again at each sending, where a dialect numbers its requests.
    """

    frame: Frame
    what: str
    confirm: bool = False
    quiet_ns: int = 0  # nothing is sent to the node for so long after it has left
    anew: Callable[[], Frame] | None = None
    keep: bool = False  # as for `Ask`
    abort: "Tell | None" = None


@dataclass(frozen=True, slots=True)
class Ask:
    """
    A request that is answered.

    `lane` is the identifier on which the reply arrives: requests of one lane are out one at a time. `decode` gets each
    frame that arrives there: it returns the value, None when the frame is no reply to this request (it is counted and
    left), or raises `RefusedByDrive`. `again` is how often the request may be repeated after a proof that no late reply
    is still to come; 0 for everything whose repetition could move an axis twice. `timeout_ns` None means the plan's
    worst-case response time; `at_most_ns` shortens it. `anew` makes frame and decoder again at each sending, where a
    dialect numbers its requests.
    """

    frame: Frame
    lane: int
    decode: Decode
    what: str  # the verb and its values in words, for findings and the journal
    again: int = 0
    timeout_ns: int | None = None
    keep: bool = False  # hold the lane for the frames that follow (a transfer of several frames)
    abort: Tell | None = None  # sent when a kept lane is broken off
    quiet_ns: int = 0  # nothing is sent to the node for so long after the reply
    at_most_ns: int | None = None
    anew: Callable[[], tuple[Frame, Decode]] | None = None


@dataclass(frozen=True, slots=True)
class Pause:
    """Let `ns` nanoseconds pass; everything stays watched meanwhile."""

    ns: int


@dataclass(frozen=True, slots=True)
class Reply:
    """What came back: the decoded value, handed over at `asked_ns`, arrived at `arrived_ns`, after `tries` requests."""

    value: Any
    asked_ns: int
    arrived_ns: int
    tries: int = 1


Want = Ask | Tell | Pause
Conversation = Generator[Want, Any, T]
