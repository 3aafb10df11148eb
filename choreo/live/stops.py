"""The stop frames for whoever has to stop the machine without a session: to all, then to each node (P13)."""

from choreo.drive.conversation import Tell
from choreo.drive.counters import Counters
from choreo.drive.families import make_drive
from choreo.errors import InternalError
from choreo.frame import Frame
from choreo.plan.model import Plan
from choreo.run.guard import Guard
from choreo.wire.words import FrameClass


def stop_frames(plan: Plan) -> list[Frame]:
    """
    The quick stop of every dialect to all of its drives, then of each node. A dialect that numbers its frames has none
    that could be made beforehand: its nodes would take them for repeated ones. Whoever sends them has no guard, so each
    goes past one here.

    Raises:
        InternalError: a frame is refused by the guard, or is no stop.
    """
    counters = Counters()
    drives = [make_drive(plan.dialects[axis.dialect], axis.node, counters) for axis in plan.axes]
    families = {axis.dialect: drive for axis, drive in zip(plan.axes, drives, strict=True)}
    tells: list[Tell] = [drive.quick_stop_all() for drive in families.values()]
    tells += [drive.quick_stop() for drive in drives]
    frames = list(dict.fromkeys(tell.frame for tell in tells if tell.anew is None))
    limits = [(limits, axis.dialect) for limits, axis in zip(plan.node_limits, plan.axes, strict=True)]
    guard = Guard(plan.dialects, limits)
    for frame in frames:
        if guard.check(frame) is not FrameClass.STOPS:
            raise InternalError(f"{frame.text()}, made as a stop, is none", rule="guardian-stop")
    return frames


def numbered(plan: Plan) -> list[str]:
    """The dialects whose stop cannot be made beforehand."""
    counters = Counters()
    found = {
        axis.dialect: make_drive(plan.dialects[axis.dialect], axis.node, counters).quick_stop().anew is not None
        for axis in plan.axes
    }
    return [name for name, is_numbered in found.items() if is_numbered]
