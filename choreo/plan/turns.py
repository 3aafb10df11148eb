"""
What it costs that drives must be spoken to slowly: the gap between two requests to a node, the silence after a message,
how many requests may be out over all nodes of a dialect. See `choreo.run.requests.pacing` for what is done about it.

Everything is taken at its longest; a dialect that asks for none of it costs nothing.
"""

from collections.abc import Sequence

from choreo.plan.conduct import WINDOW
from choreo.wire.dialect import Dialect
from choreo.wire.lengths import longest_ns

#: The messages that are sent again and again while something moves; silence after any of them delays a poll.
WHILE_MOVING = ("start", "status", "read_inputs", "read_latch", "echo")


def paced(dialect: Dialect) -> bool:
    """Whether the dialect asks for any of it."""
    timing = dialect.timing
    return bool(timing.gap_ns or timing.outstanding is not None or any(timing.quiet.values()))


def exchange_ns(dialect: Dialect, sizes: tuple[int, int], bit_rate: int) -> int:
    """A request and its reply of so many data bytes on a free bus, and the drive's own time between them."""
    request, reply = (longest_ns(size, bit_rate, dialect.extended) for size in sizes)
    return request + dialect.timing.reply_within_ns + reply


def turn_ns(dialect: Dialect, message: str, sizes: tuple[int, int], bit_rate: int) -> int:
    """From one request to a node to the next: its exchange with the silence after it, or its frame with the gap."""
    timing = dialect.timing
    answered = exchange_ns(dialect, sizes, bit_rate) + timing.quiet.get(message, 0)
    return max(answered, longest_ns(sizes[0], bit_rate, dialect.extended) + timing.gap_ns)


def node_round_ns(dialect: Dialect, bit_rate: int, *, inputs: bool) -> int:
    """The shortest period in which a node can be polled, with its inputs; 0 for a dialect that is not paced."""
    if not paced(dialect):
        return 0
    polled = turn_ns(dialect, dialect.position_message, dialect.poll_bytes, bit_rate)
    return polled + (turn_ns(dialect, "read_inputs", dialect.input_bytes, bit_rate) if inputs else 0)


def held_up_ns(dialect: Dialect, bit_rate: int) -> int:
    """How much later than it is due a poll of a node may be sent, because a command was sent to that node before it."""
    if not paced(dialect):
        return 0
    return max(turn_ns(dialect, message, (8, 8), bit_rate) for message in WHILE_MOVING)


def out_at_once(dialect: Dialect) -> int:
    """How many requests may be out to nodes of this dialect."""
    outstanding = dialect.timing.outstanding
    return WINDOW if outstanding is None else max(1, min(WINDOW, outstanding))


def group_round_ns(dialects: Sequence[Dialect], bit_rate: int) -> int:
    """Polling each node of one dialect once, as many side by side as it allows; `dialects` has one for each poll."""
    if not dialects:
        return 0
    slowest = max(exchange_ns(dialect, dialect.poll_bytes, bit_rate) for dialect in dialects)
    return -(-len(dialects) // out_at_once(dialects[0])) * slowest
