"""
A node that leaves requests unanswered: one alone is a machine fault; when others have begun to do so within 100 ms and
have not been heard since, power or bus are lost (practice.md P14).
"""

from collections.abc import Sequence

from choreo.errors import ChoreoError, LinkLost, MachineFault
from choreo.run.log import MS, Log, seconds
from choreo.run.requests.lanes import Lane

#: Nodes that fall silent within this time of each other have a cause in common (P14).
TOGETHER_NS = 100 * MS


def report_silence(log: Log, lane: Lane, lanes: Sequence[Lane], names: Sequence[str], now: int) -> None:
    """`lane` has just fallen silent; `lanes` are all of them, `names` those of the axes by index."""
    if log.bus_lost is not None:
        return  # said once for all
    since = lane.first_loss_ns
    name = names[lane.axis]
    lost = [name] + [names[other.axis] for other in lanes if other is not lane and _lost_too(other, since)]
    if len(lost) > 1:
        who = "no node has" if len(lost) == len(lanes) else f"{', '.join(lost)} have not"
        log.bus_lost = LinkLost(
            f"{who} answered for {seconds(now - since)}: power or bus lost",
            rule="bus-lost",
            help="Look at the bus cable, its two terminators and the drives' power before anything else.",
        )
        log.report(log.bus_lost)
    else:
        log.report(
            MachineFault(
                f"{name} has left {lane.losses} requests in a row unanswered, for {seconds(now - since)}",
                rule="node-silent",
                axis=name,
                help="Look at this drive's power, its plug on the bus and its node number.",
            )
        )


def _lost_too(lane: Lane, since: int) -> bool:
    return lane.losses > 0 and abs(lane.first_loss_ns - since) <= TOGETHER_NS


def cause_in_common(cause: ChoreoError, log: Log) -> ChoreoError:
    """What ended the run: where a second node fell silent just after the first, the cause that they have in common."""
    return log.bus_lost if cause.rule == "node-silent" and log.bus_lost is not None else cause
