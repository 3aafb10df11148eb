"""
Worst-case response times on a CAN bus: how long after it is queued a frame has been sent, at the latest.

Source: Davis, Burns, Bril, Lukkien, "Controller Area Network (CAN) schedulability analysis: Refuted, revisited and
revised", Real-Time Systems 35 (2007) 239-272, as collected in facts.md A12. Whole nanoseconds throughout. It holds
where every node offers the most urgent of its waiting frames to the bus first.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import NamedTuple

from choreo.wire.lengths import bits_to_ns

#: An analysis that needs a longer busy period ends without a bound: a bus so full is refused anyway.
LONGEST_BUSY_NS = 2_000_000_000

#: What one error costs beyond the frame that is sent again, in bits (facts.md A9, A12).
ERROR_BITS = 31


@dataclass(frozen=True, slots=True)
class Message:
    """
    A stream of frames with one identifier.

    `transmission_ns` is the longest time a frame takes (`lengths.longest_ns`), `period_ns` the shortest time between
    two of them, `jitter_ns` how much later than its period a frame may be queued, `deadline_ns` None means the period.
    Raises ValueError for times that are not positive (jitter: negative) and an identifier that does not exist.
    """

    identifier: int
    transmission_ns: int
    period_ns: int
    jitter_ns: int = 0
    deadline_ns: int | None = None
    extended: bool = False

    def __post_init__(self) -> None:
        """Refuse what no message can be."""
        if not 0 <= self.identifier < 1 << (29 if self.extended else 11):
            raise ValueError(f"identifier {self.identifier:#x} does not fit {29 if self.extended else 11} bits")
        deadline = self.period_ns if self.deadline_ns is None else self.deadline_ns
        if min(self.transmission_ns, self.period_ns, deadline) <= 0 or self.jitter_ns < 0:
            raise ValueError(f"message {self.identifier:#x} needs times above zero and no negative jitter")

    @property
    def urgency(self) -> tuple[int, bool, int]:
        """Smaller wins the bus: the leading 11 bits, then base before extended format, then the rest (facts.md A8)."""
        return (self.identifier >> 18, True, self.identifier) if self.extended else (self.identifier, False, 0)


class Response(NamedTuple):
    """
    What the analysis finds for one message.

    `blocking_ns` is the longest less urgent frame that may already be on the bus, `instances` how many frames of the
    message a busy period holds, `worst_ns` the worst-case response, None when there is no bound.
    """

    message: Message
    blocking_ns: int
    instances: int
    worst_ns: int | None

    @property
    def in_time(self) -> bool:
        """Whether every frame is sent before its deadline."""
        deadline = self.message.period_ns if self.message.deadline_ns is None else self.message.deadline_ns
        return self.worst_ns is not None and self.worst_ns <= deadline


def utilisation(messages: Sequence[Message]) -> Fraction:
    """The part of the bus' time that the messages take, exactly; above 1 they cannot all be sent."""
    return sum((Fraction(m.transmission_ns, m.period_ns) for m in messages), Fraction(0))


def response_times(messages: Sequence[Message], bit_rate: int, errors: int = 0) -> list[Response]:
    """
    The worst-case response of each message, in the order given, at `bit_rate` bit/s.

    `errors` is how many disturbed frames each busy period must cope with. Messages that share an identifier are each
    analysed as if the others were more urgent, which is safe whichever is sent first. Raises ValueError.
    """
    if errors < 0:
        raise ValueError(f"a number of errors is not negative, and {errors} was given")
    bit_ns = bits_to_ns(1, bit_rate)
    return [_response(index, messages, bit_ns, errors) for index in range(len(messages))]


def _response(index: int, messages: Sequence[Message], bit_ns: int, errors: int) -> Response:
    message = messages[index]
    higher = [m for i, m in enumerate(messages) if i != index and m.urgency <= message.urgency]
    blocking = max((m.transmission_ns for m in messages if m.urgency > message.urgency), default=0)
    longest = max(m.transmission_ns for m in (*higher, message))
    delay = blocking + errors * (ERROR_BITS * bit_ns + longest)
    if utilisation([*higher, message]) >= 1:
        return Response(message, blocking, 0, None)
    busy = _fixed_point(delay, [*higher, message], 0, message.transmission_ns)
    if busy is None:
        return Response(message, blocking, 0, None)
    instances = -(-(busy + message.jitter_ns) // message.period_ns)
    worst, waited = 0, delay - message.transmission_ns
    for q in range(instances):
        # No frame is sent sooner than one frame after the one before it: a start from which the search goes on upwards.
        found = _fixed_point(delay + q * message.transmission_ns, higher, bit_ns, waited + message.transmission_ns)
        if found is None:
            return Response(message, blocking, instances, None)
        waited = found
        worst = max(worst, message.jitter_ns + waited - q * message.period_ns + message.transmission_ns)
    return Response(message, blocking, instances, worst)


def _fixed_point(base: int, competing: Sequence[Message], ahead_ns: int, start: int) -> int | None:
    """Smallest t = base + the frames of `competing` queued within t + `ahead_ns`; None beyond LONGEST_BUSY_NS."""
    terms = [(m.jitter_ns + ahead_ns, m.period_ns, m.transmission_ns) for m in competing]
    t = start
    while t <= LONGEST_BUSY_NS:
        after = base + sum(-(-(t + late) // period) * length for late, period, length in terms)
        if after == t:
            return t
        t = after
    return None
