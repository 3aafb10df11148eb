"""`link_check`: counted exchanges with each node, which prove the link and time it (P28, P35)."""

from dataclasses import dataclass, field

from choreo.drive.conversation import Conversation, Reply
from choreo.drive.verbs import Drive
from choreo.errors import MachineFault
from choreo.plan.model import LinkCheck
from choreo.run.axes import Axis
from choreo.run.context import Run, unexpected
from choreo.run.log import NoReply
from choreo.run.requests.counts import OwnCount
from choreo.run.requests.lanes import Lane


@dataclass(slots=True)
class _Exchanges:
    lost: int = 0
    took_ns: list[int] = field(default_factory=list)


async def link_check(run: Run, action: LinkCheck) -> None:
    """
    Exchange counted echoes with every axis' node, all nodes side by side.

    Raises:
        MachineFault: an exchange was lost, or a count came back that was not asked for.
    """
    axes = run.pick(action.axes)
    lanes = [run.session.traffic.lane(axis.plan.index) for axis in axes]
    unasked = [_wrong(lane) for lane in lanes]
    results: list[_Exchanges] = await run.each(axes, lambda drive: _exchange(drive, action.exchanges))
    worst: MachineFault | None = None
    for axis, result, lane, before in zip(axes, results, lanes, unasked, strict=True):
        wrong = _wrong(lane) - before
        _record(run, axis, action.exchanges, result, wrong, lane.own)
        if worst is None and (result.lost or wrong):
            worst = unexpected(
                axis,
                f"of {action.exchanges} counted exchanges {result.lost} were lost and {wrong} replies had another "
                "count; none may be",
                "link-check",
                "Look at plugs, ground, and the 120 ohm terminators at both ends of the bus (60 ohm with power off).",
            )
    if worst is not None:
        raise worst


def _wrong(lane: Lane) -> int:
    """Replies that were not asked for, and what the drive's own count says was lost (P35)."""
    return lane.unasked + (lane.own.skipped if lane.own is not None else 0)


def _record(run: Run, axis: Axis, exchanges: int, result: _Exchanges, wrong: int, own: OwnCount | None) -> None:
    took = result.took_ns
    counted = {} if own is None else {"skipped": own.skipped, "repeated": own.repeated}
    run.session.record(
        "link",
        axis=axis.name,
        exchanges=exchanges,
        lost=result.lost,
        wrong=wrong,
        min_ns=min(took, default=0),
        median_ns=sorted(took)[(len(took) - 1) // 2] if took else 0,
        max_ns=max(took, default=0),
        **counted,
    )


def _exchange(drive: Drive, exchanges: int) -> Conversation[_Exchanges]:
    result = _Exchanges()
    for count in range(exchanges):
        try:
            reply: Reply = yield drive.echo_ask(count)
        except NoReply:
            result.lost += 1
        else:
            result.took_ns.append(reply.arrived_ns - reply.asked_ns)
    return result
