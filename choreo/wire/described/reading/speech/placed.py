"""What is kept while the messages of a dialect file are read: shapes, and where they and their fields stand."""

from collections.abc import Mapping
from typing import NamedTuple

from choreo.diagnostic import Span
from choreo.wire.described.dialect import Series
from choreo.wire.described.frames.codec import Shape
from choreo.wire.described.frames.fields import ByteOrder
from choreo.wire.described.frames.identifiers import Addressing
from choreo.wire.described.reading.reader import Reader
from choreo.wire.described.reading.speech.checksums import Checksums
from choreo.wire.described.reading.speech.ranges import Ranges
from choreo.wire.described.reading.speech.verbs import MESSAGES, MessageRule


class Placed(NamedTuple):
    """A shape, how it is called in a message, and where it and its fields stand."""

    shape: Shape
    what: str
    span: Span
    fields: Mapping[str, Span]


class Messages:
    """What could be read, by message or kind of event; `named` is what the file names, readable or not."""

    def __init__(self) -> None:
        self.requests: dict[str, Placed] = {}
        self.replies: dict[str, Placed] = {}
        self.events: dict[str, Placed] = {}
        self.error_reply: Placed | None = None
        self.series: dict[str, Series] = {}
        self.periods: dict[str, int] = {}
        self.named: list[str] = []

    def all(self) -> list[Placed]:
        """Every shape, in the order of the file."""
        error = [] if self.error_reply is None else [self.error_reply]
        return [*self.requests.values(), *self.replies.values(), *error, *self.events.values()]

    def parts(self, message: str) -> tuple[str, ...]:
        """The names of a message's frames: its own, or those of its series."""
        return self.series[message].parts if message in self.series else (message,)

    def requests_of(self, message: str) -> list[Placed]:
        """Its requests, as far as they could be read."""
        return [self.requests[part] for part in self.parts(message) if part in self.requests]

    def replies_of(self, message: str) -> list[Placed]:
        """The replies to it."""
        return [self.replies[part] for part in self.parts(message) if part in self.replies]


class Context(NamedTuple):
    """What every message of a file is read with."""

    reader: Reader
    ranges: Ranges
    addressing: Addressing | None
    order: ByteOrder
    checksums: Checksums
    state_words: frozenset[str] | None  # what coded states say instead of bits of the status; None: there are none

    def rule(self, message: str) -> MessageRule:
        """What choreo asks of a message: with coded states, the status needs no bits for what they say."""
        rule = MESSAGES[message]
        if message != "status" or self.state_words is None:
            return rule
        needs = ("state", *(field for field in rule.reply if field not in self.state_words))
        return rule._replace(reply=needs, may_reply=(*rule.may_reply, *rule.reply))
