"""
Who else is on the bus, before anything is sent (practice.md P3 and P18, common practice, no source).

Another host that commands these nodes, or asks them anything, would fight with this one over the machine. What drives
say of themselves is no such thing.
"""

from choreo.errors import LinkLost, OperatorStop
from choreo.frame import Frame
from choreo.link.port import AdapterLost, Interrupt, Link
from choreo.plan.model import Plan
from choreo.service.others import foreign_host, said_by_another

LISTEN_NS = 500_000_000


async def listen(link: Link, plan: Plan, for_ns: int = LISTEN_NS) -> int:
    """
    Only hear, for a while; returns how many frames came.

    Raises:
        RecipeError: somebody else commands a node of this machine. Nothing was sent.
        LinkLost: the adapter is gone.
        OperatorStop: somebody asked for the stop.
    """
    until = link.now_ns() + for_ns
    names = {axis.node: axis.name for axis in plan.axes}
    heard = 0
    while (got := await link.receive_until(until)) is not None or link.now_ns() < until:
        if isinstance(got, Interrupt):
            raise OperatorStop(f"stopped by the operator before anything was sent: {got.reason}", rule="operator")
        if isinstance(got, AdapterLost):
            raise LinkLost(f"the adapter is lost: {got.reason}", rule="adapter-lost")
        if isinstance(got, Frame):
            heard += 1
            if said := said_by_another(got, plan.dialects.values(), names):
                raise foreign_host(said)
            if got.t_ns >= until:  # a full bus always brings another
                break
    return heard
