"""
The last check before a frame leaves: decoded afresh, compared with the limits, refused when anything is out of range.

It shares nothing with the code that composed the frame but the limits and the dialect. It keeps what it must know by
itself: which nodes hold a load, how their positions are counted, whether the run is stopping.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from choreo.errors import InternalError
from choreo.frame import Frame
from choreo.limits import NodeLimits
from choreo.wire.dialect import Decoded, Dialect
from choreo.wire.words import MOTION, FrameClass, Setting

#: Verdicts on frames that can do nothing are remembered, so that polling costs one look-up. The cap bounds memory.
REMEMBERED = 4096


class GuardRefusal(InternalError):
    """The guard refused a frame. Something above it is wrong: this is choreo's own bug, and it stops the machine."""


@dataclass(slots=True)
class _Node:
    limits: NodeLimits
    dialect: Dialect
    found: int | None = None  # where an axis without home was found, counts
    homed: bool = False
    loaded: bool = False


class Guard:
    """Checks frames by `check`; the session tells it what the recipe's limits cannot know."""

    def __init__(self, dialects: Mapping[str, Dialect], nodes: Iterable[tuple[NodeLimits, str]]) -> None:
        self._dialects = tuple(dialects.values())
        self._nodes = {limits.node: _Node(limits, dialects[name]) for limits, name in nodes}
        #: Frames that were decoded, can do nothing, and need not be decoded again.
        self.harmless: dict[Frame, FrameClass] = {}
        self._may_start: frozenset[int] = frozenset()
        self.stopping = False

    def found_at(self, node: int, counts: int) -> None:
        """The axis is not homed and stands at `counts`: it may go `unhomed_reach` from there."""
        self._nodes[node].found = counts
        self._nodes[node].homed = False

    def homed(self, node: int) -> None:
        """From now on the travel of the machine holds."""
        self._nodes[node].homed = True

    def allow_start(self, nodes: Iterable[int]) -> None:
        """Permit one start trigger, for exactly these loaded nodes."""
        self._may_start = frozenset(nodes)

    def unloaded(self, node: int) -> None:
        """The drive has proved that it holds nothing."""
        self._nodes[node].loaded = False

    def check(self, frame: Frame) -> FrameClass:
        """
        The class of a frame that may leave.

        Raises:
            GuardRefusal: no dialect knows the frame, it addresses a node that the recipe does not declare, a value is
                out of range, a load would be doubled, or it moves an axis although the run is stopping.
        """
        known = self.harmless.get(frame)
        if known is not None:
            return known
        decoded = self._decode(frame)
        self._judge(frame, decoded)
        if decoded.frame_class is FrameClass.NEUTRAL and len(self.harmless) < REMEMBERED:
            self.harmless[frame] = FrameClass.NEUTRAL
        return decoded.frame_class

    def classify(self, frame: Frame) -> FrameClass:
        """The class of a request, without judging it."""
        return self.harmless.get(frame) or self._decode(frame).frame_class

    def _decode(self, frame: Frame) -> Decoded:
        for dialect in self._dialects:
            decoded = dialect.decode(frame)
            if decoded is not None and not decoded.from_drive:
                return decoded
        raise GuardRefusal(f"frame {frame.text()} is no request of any dialect of this machine", rule="guard-unknown")

    def _judge(self, frame: Frame, decoded: Decoded) -> None:
        kind = decoded.frame_class
        if self.stopping and kind in MOTION:
            raise GuardRefusal(
                f"{decoded.message} ({frame.text()}) would move an axis while the run is stopping",
                rule="guard-stopping",
            )
        if decoded.node is None:
            self._judge_broadcast(frame, decoded)
            return
        node = self._nodes.get(decoded.node)
        if node is None:
            raise GuardRefusal(
                f"{decoded.message} ({frame.text()}) is for node {decoded.node}, which is no axis of this machine",
                rule="guard-node",
            )
        if kind is FrameClass.LOADS or kind is FrameClass.MOVES:
            _judge_target(node, decoded)
        elif kind is FrameClass.SETS:
            _judge_setting(node, decoded)
        if kind is FrameClass.LOADS:
            if node.loaded and node.dialect.loads.second_load in ("queues", "adds"):
                raise _refusal(node, "guard-load", "a second load would be added to the first")
            node.loaded = True

    def _judge_broadcast(self, frame: Frame, decoded: Decoded) -> None:
        if decoded.frame_class is FrameClass.STOPS:
            return
        if decoded.frame_class is not FrameClass.STARTS:
            raise GuardRefusal(
                f"{decoded.message} ({frame.text()}) is a broadcast; only start and stop may be", rule="guard-broadcast"
            )
        loaded = frozenset(number for number, node in self._nodes.items() if node.loaded)
        if not loaded or loaded != self._may_start:
            raise GuardRefusal(
                f"start trigger for nodes {sorted(self._may_start)} while nodes {sorted(loaded)} hold a load",
                rule="guard-start",
            )
        self._may_start = frozenset()
        for number in loaded:
            node = self._nodes[number]
            node.loaded = node.dialect.loads.at_trigger == "kept"


def _refusal(node: _Node, rule: str, why: str) -> GuardRefusal:
    return GuardRefusal(f"{node.limits.axis}: {why}", rule=rule, axis=node.limits.axis, node=node.limits.node)


def _judge_target(node: _Node, decoded: Decoded) -> None:
    limits = node.limits
    target, speed = decoded.values["target"], decoded.values.get("speed")
    if node.homed:
        low, high = limits.travel
    elif node.found is not None:
        low, high = node.found - limits.unhomed_reach, node.found + limits.unhomed_reach
    else:
        raise _refusal(node, "guard-target", "a move before it is known where the axis stands")
    if not low <= target <= high:
        raise _refusal(node, "guard-target", f"target {target} counts is outside {low} to {high} counts")
    ceiling = limits.speed_raw if node.homed else limits.unhomed_speed_raw
    if speed is not None and not 1 <= speed <= ceiling:
        raise _refusal(node, "guard-speed", f"raw speed {speed} is outside 1 to {ceiling}")


def _judge_setting(node: _Node, decoded: Decoded) -> None:
    number = decoded.values.get("number")
    if number is None:  # declares a position: the travel holds from now on, and the edge lies just outside it
        edge, allowed = decoded.values["edge"], node.limits.edge
        if edge != allowed:
            raise _refusal(node, "guard-edge", f"home edge {edge} counts, declared in the recipe as {allowed}")
        return
    setting = node.dialect.setting_by_number(number)
    if setting is None or setting not in node.limits.settings:
        raise _refusal(node, "guard-setting", f"setting {number} is none that this recipe may write")
    low, high = node.limits.settings[Setting(setting)]
    value = decoded.values["value"]
    if not low <= value <= high:
        raise _refusal(node, "guard-setting", f"raw {setting} {value} is outside {low} to {high}")
