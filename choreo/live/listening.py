"""
Who else is on the bus, before anything is sent (practice.md P3 and P18, common practice, no source).

Another host that commands these nodes would fight with this one over the machine. What drives say of themselves is no
such thing; a reply that nobody here asked for is the other host's as well.
"""

from choreo.errors import LinkLost, OperatorStop, RecipeError
from choreo.frame import Frame
from choreo.link.port import AdapterLost, Interrupt, Link
from choreo.plan.model import Plan
from choreo.wire.words import FrameClass

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
    heard = 0
    while (got := await link.receive_until(until)) is not None or link.now_ns() < until:
        if isinstance(got, Interrupt):
            raise OperatorStop(f"stopped by the operator before anything was sent: {got.reason}", rule="operator")
        if isinstance(got, AdapterLost):
            raise LinkLost(f"the adapter is lost: {got.reason}", rule="adapter-lost")
        if isinstance(got, Frame):
            heard += 1
            _judge(got, plan)
            if got.t_ns >= until:  # a full bus always brings another
                break
    return heard


def _judge(frame: Frame, plan: Plan) -> None:
    names = {axis.node: axis.name for axis in plan.axes}
    for dialect in plan.dialects.values():
        told = dialect.decode(frame)
        if told is None or told.from_drive or (told.node is not None and told.node not in names):
            continue
        whom = "all nodes" if told.node is None else f"{names[told.node]} (node {told.node})"
        what = "asks" if told.frame_class is FrameClass.NEUTRAL else "commands"
        raise RecipeError(
            f"somebody else on the bus {what} {whom}: {told.message} ({frame.text()})",
            rule="foreign-host",
            help="Nothing was sent. End the other program, or take the other host off the bus; then begin again.",
        )
