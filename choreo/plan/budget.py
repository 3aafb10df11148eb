"""
What polling costs the bus, and how long a reply takes at the worst.

Lengths are the bound of facts.md A4. Two bounds of the response hold at once, and the smaller counts:

- the analysis of facts.md A12 (Davis, Burns, Bril, Lukkien 2007) over all polls and a command beside them. Which
  identifiers a dialect uses is not asked: every frame is taken for the least urgent, which is safe in any dialect;
- what the session lets out. From its oldest unanswered request on there are `WINDOW` out, so one exchange shares the
  bus with at most WINDOW - 1 that went before it and WINDOW - 1 that come after.
"""

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import NamedTuple

from choreo.plan.conduct import WINDOW
from choreo.plan.turns import group_round_ns, held_up_ns, node_round_ns
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
    Where drives must be spoken to slowly, `node_ns` is the shortest period in which each can be polled, and
    `held_up_ns` how much later than it is due a poll may be sent. `adapter_ns` is what a real adapter is declared to
    add to a reply; it is in the response and in the round.
    """

    bit_rate: int
    poll_ns: int
    bits_per_second: Fraction
    load: Fraction
    worst_response_ns: int | None
    round_ns: int
    node_ns: int = 0
    held_up_ns: int = 0
    adapter_ns: int = 0


class _Stream(NamedTuple):
    """Polls of one kind: data bytes of request and reply, and the drive's own time between the two."""

    request_bytes: int
    reply_bytes: int
    reply_within_ns: int
    extended: bool

    @classmethod
    def of(cls, dialect: Dialect, sizes: tuple[int, int]) -> "_Stream":
        return cls(*sizes, dialect.timing.reply_within_ns, dialect.extended)

    def frames_ns(self, bit_rate: int) -> tuple[int, int]:
        """How long request and reply are on the wire at the most."""
        request = longest_ns(self.request_bytes, bit_rate, self.extended)
        return request, longest_ns(self.reply_bytes, bit_rate, self.extended)

    def bits(self) -> int:
        """The bits of both at the most."""
        return longest_bits(self.request_bytes, self.extended) + longest_bits(self.reply_bytes, self.extended)


class _Pushed(NamedTuple):
    """What a drive sends of itself, once a period."""

    data_bytes: int
    extended: bool
    period_ns: int

    def bits(self) -> int:
        """Of one frame at the most."""
        return longest_bits(self.data_bytes, self.extended)


class _Frames(NamedTuple):
    """So `many` frames of one kind in each period."""

    many: int
    frame_ns: int
    jitter_ns: int
    reply: bool


def budget(
    dialects: Sequence[Dialect], bit_rate: int, poll_ns: int, inputs: Sequence[Dialect] = (), adapter_ns: int = 0
) -> Budget:
    """
    The budget of polling one axis for each entry of `dialects` every `poll_ns`, and the inputs of one drive for each
    entry of `inputs`; with what the drives send of themselves at regular times, and what the adapter adds.
    """
    pushed = Counter(one for dialect in dialects for one in _pushed_by(dialect))
    streams = Counter(_Stream.of(dialect, dialect.poll_bytes) for dialect in dialects)
    streams.update(_Stream.of(dialect, dialect.input_bytes) for dialect in inputs)
    bits = sum(count * stream.bits() for stream, count in streams.items())
    exchange_ns = max((_exchange_ns(stream, bit_rate) for stream in streams), default=0) + adapter_ns
    needed = Fraction(bits * NS_PER_S, poll_ns)
    needed += sum(Fraction(count * one.bits() * NS_PER_S, one.period_ns) for one, count in pushed.items())
    response_ns = None if needed > bit_rate else _worst_response(streams, pushed, bit_rate, poll_ns)
    polls = (*dialects, *inputs)
    return Budget(
        bit_rate=bit_rate,
        poll_ns=poll_ns,
        bits_per_second=needed,
        load=needed / bit_rate,
        worst_response_ns=None if response_ns is None else response_ns + adapter_ns,
        round_ns=max(-(-len(polls) // WINDOW) * exchange_ns, _slowest_group(polls, bit_rate)),
        node_ns=max((node_round_ns(each, bit_rate, inputs=each in inputs) for each in dialects), default=0),
        held_up_ns=max((held_up_ns(each, bit_rate) for each in dialects), default=0),
        adapter_ns=adapter_ns,
    )


def _exchange_ns(stream: _Stream, bit_rate: int) -> int:
    """One poll, when the bus is free: request, the drive's own time, reply."""
    return sum(stream.frames_ns(bit_rate)) + stream.reply_within_ns


def _slowest_group(polls: Sequence[Dialect], bit_rate: int) -> int:
    """Dialects that let fewer requests out at once than the session does."""
    names = {poll.name: None for poll in polls if poll.timing.outstanding is not None}
    return max((group_round_ns([poll for poll in polls if poll.name == name], bit_rate) for name in names), default=0)


def _pushed_by(dialect: Dialect) -> Iterator[_Pushed]:
    for kind, period_ns in dialect.event_periods.items():
        yield _Pushed(dialect.event_bytes[kind], dialect.extended, period_ns)


def _worst_response(streams: "Counter[_Stream]", pushed: "Counter[_Pushed]", bit_rate: int, poll_ns: int) -> int | None:
    slowest = max((stream.reply_within_ns for stream in streams), default=0)
    let_out = _let_out(streams, pushed, bit_rate, slowest)
    analysed = _analysed(streams, pushed, bit_rate, poll_ns, slowest)
    return min((bound for bound in (let_out, analysed) if bound is not None), default=None)


def _let_out(streams: "Counter[_Stream]", pushed: "Counter[_Pushed]", bit_rate: int, slowest: int) -> int | None:
    """What the session lets out, and every frame that drives send of themselves meanwhile; None when they fill it."""
    own = (2 * WINDOW - 1) * 2 * _command_ns(streams, bit_rate) + slowest
    whole = own
    for _ in range(ROUNDS if pushed else 0):
        before, whole = whole, own
        for one, count in pushed.items():
            whole += count * (before // one.period_ns + 1) * longest_ns(one.data_bytes, bit_rate, one.extended)
        if whole == before:
            return whole
    return None if pushed else own


def _analysed(
    streams: "Counter[_Stream]", pushed: "Counter[_Pushed]", bit_rate: int, poll_ns: int, slowest: int
) -> int | None:
    """Replies inherit the jitter of their requests, so the analysis is repeated until nothing changes."""
    request_jitter = slowest
    for _ in range(ROUNDS):
        traffic = [*_traffic(streams, bit_rate, request_jitter), *_unasked(pushed, bit_rate, poll_ns)]
        request = _worst(traffic, bit_rate, poll_ns, replies=False)
        reply = _worst(traffic, bit_rate, poll_ns, replies=True)
        if request is None or reply is None:
            return None
        if request + slowest == request_jitter:
            return reply
        request_jitter = request + slowest
    return None


def _unasked(pushed: "Counter[_Pushed]", bit_rate: int, poll_ns: int) -> Iterator[_Frames]:
    """So many in a poll period at the most."""
    for one, count in pushed.items():
        frame_ns = longest_ns(one.data_bytes, bit_rate, one.extended)
        yield _Frames(count * -(-poll_ns // one.period_ns), frame_ns, 0, True)


def _command_ns(streams: "Counter[_Stream]", bit_rate: int) -> int:
    return longest_ns(COMMAND_BYTES, bit_rate, any(stream.extended for stream in streams))


def _traffic(streams: "Counter[_Stream]", bit_rate: int, jitter_ns: int) -> list[_Frames]:
    command = _command_ns(streams, bit_rate)
    frames = [_Frames(1, command, 0, False), _Frames(1, command, jitter_ns, True)]
    for stream, count in streams.items():
        request_ns, reply_ns = stream.frames_ns(bit_rate)
        frames.append(_Frames(count, request_ns, 0, False))
        frames.append(_Frames(count, reply_ns, jitter_ns, True))
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
