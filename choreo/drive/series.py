"""
One verb as several frames: in order, with a gap between them, within a time, all or nothing.

The lane is held from the first frame to the last, so that nothing else is asked of the drive in between. When a part is
refused, not answered or late, the message that undoes it is sent and the verb fails; when the conversation itself is
broken off, whoever holds the lane for it sends that message (`Ask.abort`).
"""

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

from choreo.drive.conversation import Conversation, Pause, Tell
from choreo.errors import ChoreoError

if TYPE_CHECKING:
    from choreo.drive.exchange import Exchange

Values = Mapping[str, int]


def run_series(do: "Exchange", message: str, what: str, values: Values) -> Conversation[Values]:
    """
    The values of all replies together. No part is asked twice: what a drive makes of half a verb is its own affair.

    Raises RefusedByDrive or MachineFault, after the undoing.
    """
    try:
        answers: Values = yield from _parts(do, message, what, values)
    except ChoreoError as failure:
        abort = do.frames.series[message].abort
        if abort is not None:
            yield from _undo(do, abort, what, failure)
        raise
    return answers


def _parts(do: "Exchange", message: str, what: str, values: Values) -> Conversation[Values]:
    series = do.frames.series[message]
    undo = None if series.abort is None else do.tell(series.abort, do.node, f"undo {what}")
    answers: dict[str, int] = {}
    began: int | None = None
    spent_ns = 0
    for place, part in enumerate(series.parts):
        if place and series.gap_ns:
            yield Pause(series.gap_ns)
        keep = place < len(series.parts) - 1
        carries = do.frames.requests[part].layout.ranges
        own = {name: value for name, value in values.items() if name in carries}
        named = f"{what} ({place + 1} of {len(series.parts)})"
        asked, over = yield from _part(do, part, named, own, answers, keep, undo, series.within_ns - spent_ns)
        if over is None:  # unanswered, and nobody says when it left
            continue
        began = asked if began is None else began
        spent_ns = over - began
        if spent_ns > series.within_ns:
            took, allowed = spent_ns / 1e6, series.within_ns / 1e6
            raise do.fault(f"{named}: took {took:g} ms so far; allowed are {allowed:g} ms", "series-late")
    return answers


def _part(
    do: "Exchange",
    part: str,
    what: str,
    values: Values,
    answers: dict[str, int],
    keep: bool,
    undo: Tell | None,
    at_most_ns: int,
) -> Conversation[tuple[int, int | None]]:
    """When a part was asked and when it was over; what it answered is added to `answers`."""
    if part not in do.frames.replies:
        left: int | None = yield do.tell(part, do.node, what, values, confirm=True, keep=keep, abort=undo)
        return (0, None) if left is None else (left, left)
    same: Callable[[Values], Any] = dict
    reply = yield do.ask(part, what, same, values, again=0, keep=keep, abort=undo, at_most_ns=at_most_ns)
    do.repeats(reply.value, what, values)
    answers.update(reply.value)
    return reply.asked_ns, reply.arrived_ns


def _undo(do: "Exchange", abort: str, what: str, failure: ChoreoError) -> Conversation[None]:
    try:
        yield from do.run(abort, f"undo {what}")
    except ChoreoError as again:
        failure.help = f"{failure.help} It could not be undone either: {again.headline}.".strip()
