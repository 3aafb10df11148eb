"""
Readings that no axis can have made: a position that jumps, an answer that contradicts another one.

practice.md P17, P36 (common practice, no source). A reading lies somewhere between request and reply, so what an axis
can have gone since the last one is bounded by the time from the last request to this reply.
"""

from choreo.errors import ChoreoError, MachineFault
from choreo.frame import Frame
from choreo.run.axes import Axis

#: An axis that runs away may be faster than its limit; beyond this factor it is no motion any more.
FASTER_THAN_ALLOWED = 2.0


def jumped(axis: Axis) -> MachineFault | None:
    """The finding when the last reading lies farther from the one before than the axis can have gone."""
    old, new = axis.readings[-2], axis.readings[-1]
    way = abs(new.counts - old.counts)
    ns = new.arrived_ns - old.asked_ns
    if new.asked_ns == new.arrived_ns:  # pushed: when it was taken is known no better than a reply's
        ns += axis.plan.reply_timeout_ns
    if way <= _reach(axis, ns):
        return None
    since = ns / 1e6
    return MachineFault(
        f"{axis.name}: its position jumped by {way / abs(axis.scale):.4g} {axis.plan.unit} within {since:.3g} ms, "
        "farther than it can move; its home is lost",
        rule="position-jump",
        axis=axis.name,
        node=axis.plan.node,
        help="Look at the encoder, its battery and its cable, and for a second node of the same number; then home it.",
    )


def contradiction(axis: Axis, frame: Frame) -> MachineFault | None:
    """
    The finding when a position that nobody asked for lies where the axis cannot be: late and doubled replies tell
    nearly the same as the one that counted.
    """
    try:
        counts = axis.drive.poll_position().decode(frame)
    except ChoreoError:
        return None
    if not isinstance(counts, int) or not axis.readings:
        return None
    last, span = axis.readings[-1], axis.position_span
    away = abs((counts - last.counts + span // 2) % span - span // 2)
    if away <= _reach(axis, frame.t_ns - last.asked_ns):
        return None
    return MachineFault(
        f"{axis.name}: an answer that nobody asked for puts it {away / abs(axis.scale):.4g} {axis.plan.unit} from "
        "where it was just read: two answer with its number",
        rule="contradiction",
        axis=axis.name,
        node=axis.plan.node,
        help="Look for a second node of the same number, and for somebody else on the bus who speaks for it.",
    )


def _reach(axis: Axis, ns: int) -> float:
    """How many counts an axis can go in so long, with what its tracking limit allows besides."""
    return axis.tracking_counts + FASTER_THAN_ALLOWED * axis.fastest_counts * ns * 1e-9
