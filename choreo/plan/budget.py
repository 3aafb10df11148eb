"""
What polling costs the bus, and how long a reply takes at the worst.

Lengths are the bound of facts.md A4. Two bounds of the response hold at once, and the smaller counts:

- the analysis of facts.md A12 (Davis, Burns, Bril, Lukkien 2007) over all polls and a command beside them. Which
  identifiers a dialect uses is not asked: every frame is taken for the least urgent, which is safe in any dialect;
- what the session lets out. From its oldest unanswered request on there are `WINDOW` out, so one exchange shares the
  bus with at most WINDOW - 1 that went before it and WINDOW - 1 that come after.
"""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import NamedTuple

from choreo.plan.conduct import WINDOW
from choreo.units import NS_PER_S
from choreo.wire.dialect import Dialect
from choreo.wire.lengths import longest_bits, longest_ns
from choreo.wire.responses import Message, response_times

#: Beside the polls one command with the longest frames may be under way at any time.
COMMAND_BYTES = 8
#: Rounds of request and reply jitter until they agree; on a bus that needs more the other bound counts.
ROUNDS = 20

_LEAST_URGENT = 0x7FF


@dataclass(frozen=True, slots=True)
class Budget:
    """
    The bus under polling. `bits_per_second` is what all polls need, requests and replies, `load` its part of the bit
    rate. `worst_response_ns` is the longest time from handing over a request to the end of its reply, over all axes;
    None when the bus is too full to send everything. `round_ns` is what polling every axis once takes at the longest.
    """

    bit_rate: int
    poll_ns: int
    bits_per_second: Fraction
    load: Fraction
    worst_response_ns: int | None
    round_ns: int


class _Stream(NamedTuple):
    """Polls of one kind: data bytes of request and reply, and the drive's own time between the two."""

    request_bytes: int
    reply_bytes: int
    reply_within_ns: int


class _Frames(NamedTuple):
    """So `many` frames of one kind in each period."""

    many: int
    frame_ns: int
    jitter_ns: int
    reply: bool


def budget(dialects: Sequence[Dialect], bit_rate: int, poll_ns: int) -> Budget:
    """The budget of polling one axis for each entry of `dialects` every `poll_ns`."""
    streams = Counter(_Stream(*dialect.poll_bytes, dialect.timing.reply_within_ns) for dialect in dialects)
    bits = sum(
        count * (longest_bits(stream.request_bytes) + longest_bits(stream.reply_bytes))
        for stream, count in streams.items()
    )
    needed = Fraction(bits * NS_PER_S, poll_ns)
    return Budget(
        bit_rate=bit_rate,
        poll_ns=poll_ns,
        bits_per_second=needed,
        load=needed / bit_rate,
        worst_response_ns=None if needed > bit_rate else _worst_response(streams, bit_rate, poll_ns),
        round_ns=-(-len(dialects) // WINDOW) * max((_exchange_ns(stream, bit_rate) for stream in streams), default=0),
    )


def _exchange_ns(stream: _Stream, bit_rate: int) -> int:
    """One poll, when the bus is free: request, the drive's own time, reply."""
    frames = longest_ns(stream.request_bytes, bit_rate) + longest_ns(stream.reply_bytes, bit_rate)
    return frames + stream.reply_within_ns


def _worst_response(streams: "Counter[_Stream]", bit_rate: int, poll_ns: int) -> int:
    slowest = max((stream.reply_within_ns for stream in streams), default=0)
    let_out = (2 * WINDOW - 1) * 2 * longest_ns(COMMAND_BYTES, bit_rate) + slowest
    analysed = _analysed(streams, bit_rate, poll_ns, slowest)
    return let_out if analysed is None else min(let_out, analysed)


def _analysed(streams: "Counter[_Stream]", bit_rate: int, poll_ns: int, slowest: int) -> int | None:
    """Replies inherit the jitter of their requests, so the analysis is repeated until nothing changes."""
    request_jitter = slowest
    for _ in range(ROUNDS):
        traffic = _traffic(streams, bit_rate, request_jitter)
        request = _worst(traffic, bit_rate, poll_ns, replies=False)
        reply = _worst(traffic, bit_rate, poll_ns, replies=True)
        if request is None or reply is None:
            return None
        if request + slowest == request_jitter:
            return reply
        request_jitter = request + slowest
    return None


def _traffic(streams: "Counter[_Stream]", bit_rate: int, jitter_ns: int) -> list[_Frames]:
    command = longest_ns(COMMAND_BYTES, bit_rate)
    frames = [_Frames(1, command, 0, False), _Frames(1, command, jitter_ns, True)]
    for stream, count in streams.items():
        frames.append(_Frames(count, longest_ns(stream.request_bytes, bit_rate), 0, False))
        frames.append(_Frames(count, longest_ns(stream.reply_bytes, bit_rate), jitter_ns, True))
    return frames


def _worst(traffic: Sequence[_Frames], bit_rate: int, poll_ns: int, *, replies: bool) -> int | None:
    """The worst response of the requests or of the replies, over all kinds; None when there is no bound."""
    worst = 0
    for index, kind in enumerate(traffic):
        if kind.reply != replies:
            continue
        found = response_times(_seen_by(index, traffic, poll_ns), bit_rate)[0].worst_ns
        if found is None:
            return None
        worst = max(worst, found)
    return worst


def _seen_by(index: int, traffic: Sequence[_Frames], poll_ns: int) -> list[Message]:
    """One frame of a kind first, then everything else: frames alike are put together, which delays others no less."""
    own = traffic[index]
    messages = [Message(_LEAST_URGENT, own.frame_ns, poll_ns, own.jitter_ns)]
    for other, kind in enumerate(traffic):
        count = kind.many - 1 if other == index else kind.many
        if count:
            messages.append(Message(_LEAST_URGENT, count * kind.frame_ns, poll_ns, kind.jitter_ns))
    return messages
