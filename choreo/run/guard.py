"""
The last check before a frame leaves: decoded afresh, compared with the limits, refused when anything is out of range.

It shares nothing with the code that composed the frame but the limits and the dialect. It keeps what it must know by
itself: which nodes hold a load, how their positions are counted, whether the run is stopping.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from choreo.errors import InternalError
from choreo.frame import Frame
from choreo.limits import NodeLimits
from choreo.wire.dialect import Decoded, Dialect, Scale
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
    stands: int | None = None  # where it is told to stand, counts, and how exactly that is known
    blur: int = 0
    fresh: bool = False  # holds a load that no start has set off yet, or a part of one
    kept: bool = False  # holds one that the last start left in it
    way: int | None = None  # how far its load leads, counts; None: not known
    part: int = 0  # which frame of its load came last, of a load of several frames; 0: the last one
    values: dict[str, int] = field(default_factory=dict)  # of the frames of a message so far


class Guard:
    """Checks frames by `check`; the session tells it what the recipe's limits cannot know."""

    def __init__(self, dialects: Mapping[str, Dialect], nodes: Iterable[tuple[NodeLimits, str]]) -> None:
        self._dialects = tuple(dialects.values())
        self._nodes = {limits.node: _Node(limits, dialects[name]) for limits, name in nodes}
        #: Frames that were decoded, can do nothing, and need not be decoded again.
        self.harmless: dict[Frame, FrameClass] = {}
        self._may_start: frozenset[int] = frozenset()
        self._idle: frozenset[int] = frozenset()
        self.stopping = False
        self._only_looks = False

    def only_look(self) -> None:
        """
        From now on, and for good, nothing leaves but what can do nothing, to one node at a time; and that to any node
        that the dialects have, declared or not. For looking who is on a bus, never for a run.
        """
        self._only_looks = True

    def found_at(self, node: int, counts: int) -> None:
        """The axis is not homed and stands at `counts`: it may go `unhomed_reach` from there."""
        self._nodes[node].found = counts
        self._nodes[node].homed = False

    def homed(self, node: int) -> None:
        """From now on the travel of the machine holds."""
        self._nodes[node].homed = True

    def stands_at(self, node: int, counts: int, blur: int) -> None:
        """The axis stands at `counts`, known to within `blur`: from there a relative load goes, and to there no way."""
        self._nodes[node].stands, self._nodes[node].blur = counts, blur

    def allow_start(self, nodes: Iterable[int], idle: Iterable[int] = ()) -> None:
        """Permit one start, for exactly these loaded nodes and the `idle` ones, whose loads lead nowhere (P1)."""
        self._may_start, self._idle = frozenset(nodes), frozenset(idle)

    def unloaded(self, node: int) -> None:
        """The drive has proved that it holds nothing."""
        held = self._nodes[node]
        held.fresh = held.kept = False
        held.way, held.part = None, 0

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
        decoded, dialects = self._decode(frame)
        self._judge(frame, decoded, dialects)
        numbered = "rolling" in decoded.values  # another frame each time: not worth the room
        if decoded.frame_class is FrameClass.NEUTRAL and not numbered and len(self.harmless) < REMEMBERED:
            self.harmless[frame] = FrameClass.NEUTRAL
        return decoded.frame_class

    def is_harmless(self, frame: Frame) -> bool:
        """Whether a request that was checked can do nothing."""
        return self.classify(frame) is FrameClass.NEUTRAL

    def classify(self, frame: Frame) -> FrameClass:
        """The class of a request, without judging it."""
        return self.harmless.get(frame) or self._decode(frame)[0].frame_class

    def _decode(self, frame: Frame) -> tuple[Decoded, list[Dialect]]:
        """
        What a request says, and in which dialects: to one node in its own alone, to all nodes in several if they agree.
        """
        read = [(dialect, dialect.decode(frame)) for dialect in self._dialects]
        found = [(dialect, told) for dialect, told in read if told is not None and self._is_for(dialect, told)]
        if not found:
            raise GuardRefusal(
                f"frame {frame.text()} is no request of any dialect of this machine", rule="guard-unknown"
            )
        first = found[0][1]
        if any((told.frame_class, told.node) != (first.frame_class, first.node) for _, told in found):
            meanings = " and ".join(f"{told.message} in {dialect.name}" for dialect, told in found)
            raise GuardRefusal(f"frame {frame.text()} is {meanings}", rule="guard-ambiguous")
        return first, [dialect for dialect, _ in found]

    def _is_for(self, dialect: Dialect, told: Decoded) -> bool:
        """Whether it is a request that a drive of this dialect here, or none at all, would take for its own."""
        node = None if told.node is None else self._nodes.get(told.node)
        return not told.from_drive and (node is None or node.dialect is dialect)

    def _judge(self, frame: Frame, decoded: Decoded, dialects: list[Dialect]) -> None:
        kind = decoded.frame_class
        if self._only_looks:
            if kind is not FrameClass.NEUTRAL or decoded.node is None:
                raise GuardRefusal(
                    f"{decoded.message} ({frame.text()}) is no question to one node, and nothing else may leave here",
                    rule="guard-look",
                )
            return
        if self.stopping and kind in MOTION:
            raise GuardRefusal(
                f"{decoded.message} ({frame.text()}) would move an axis while the run is stopping",
                rule="guard-stopping",
            )
        if decoded.node is None:
            self._judge_broadcast(frame, decoded, dialects)
            return
        node = self._nodes.get(decoded.node)
        if node is None:
            raise GuardRefusal(
                f"{decoded.message} ({frame.text()}) is for node {decoded.node}, which is no axis of this machine",
                rule="guard-node",
            )
        if kind is FrameClass.STARTS:
            raise _refusal(node, "guard-start", f"{decoded.message} ({frame.text()}) would start this drive alone")
        if kind is FrameClass.LOADS or kind is FrameClass.MOVES:
            _judge_target(node, decoded)
        elif kind is FrameClass.SETS:
            _judge_setting(node, decoded)
        elif kind is FrameClass.SWITCHES:
            _judge_output(node, decoded)
        if kind is FrameClass.LOADS:
            _account_for(node, decoded)

    def _judge_broadcast(self, frame: Frame, decoded: Decoded, dialects: list[Dialect]) -> None:
        if decoded.frame_class is FrameClass.STOPS:
            return
        if decoded.frame_class is not FrameClass.STARTS:
            raise GuardRefusal(
                f"{decoded.message} ({frame.text()}) is a broadcast; only start and stop may be", rule="guard-broadcast"
            )
        hears = {number: node for number, node in self._nodes.items() if node.dialect in dialects}
        loaded = frozenset(number for number, node in hears.items() if node.fresh or node.kept)
        stale = [number for number, node in hears.items() if node.kept and not node.fresh]
        if not self._may_start or stale or loaded != self._may_start | self._idle:
            raise GuardRefusal(
                f"start trigger for nodes {sorted(self._may_start | self._idle)} while nodes {sorted(loaded)} "
                "hold a load" + (f", nodes {stale} one that was started before" if stale else ""),
                rule="guard-start",
            )
        for number in sorted(loaded):
            node = self._nodes[number]
            if node.part:
                raise _refusal(node, "guard-start", "a start while only a part of its load was sent")
            if number in self._idle and (node.way is None or abs(node.way) > node.blur):
                raise _refusal(
                    node, "guard-start", f"it takes no part in the start, and its load leads {node.way} counts"
                )
        self._may_start = self._idle = frozenset()
        for number in loaded:
            node = self._nodes[number]
            node.fresh, node.kept = False, node.dialect.loads.at_trigger == "kept"


def _refusal(node: _Node, rule: str, why: str) -> GuardRefusal:
    return GuardRefusal(f"{node.limits.axis}: {why}", rule=rule, axis=node.limits.axis, node=node.limits.node)


def _place(decoded: Decoded) -> tuple[str, int]:
    """The message, and which of its frames this is: 0 where it has one only."""
    message, _, place = decoded.message.partition(".")
    return message, int(place or 0)


def _account_for(node: _Node, decoded: Decoded) -> None:
    """From its first frame on a load counts as held; its frames come in order."""
    message, place = _place(decoded)
    if place > 1:
        if node.part != place - 1:
            raise _refusal(node, "guard-load", f"frame {place} of a load after frame {node.part} of it")
    elif (node.fresh or node.kept) and node.dialect.loads.second_load in ("queues", "adds"):
        raise _refusal(node, "guard-load", "a second load would be added to the first")
    node.fresh = True
    node.part = 0 if place == _frames_of(node, message) else place


def _frames_of(node: _Node, message: str) -> int:
    several = node.dialect.several.get(message)
    return 0 if several is None else several.frames


def _judge_target(node: _Node, decoded: Decoded) -> None:
    limits = node.limits
    target, speed = decoded.values.get("target"), decoded.values.get("speed")
    if target is not None:
        _judge_way(node, decoded, target)
    ceiling = limits.speed_raw if node.homed else limits.unhomed_speed_raw
    low, high = sorted((limits.slowest_speed_raw, ceiling))  # a raw unit may fall
    if speed is not None and not low <= speed <= high:
        raise _refusal(node, "guard-speed", f"raw speed {speed} is outside {low} to {high}")
    if speed is not None:
        _judge_meaning(node, "guard-speed", node.dialect.move_speed, speed)


def _judge_way(node: _Node, decoded: Decoded, target: int) -> None:
    """A relative load is judged by the place where it leads: the sum."""
    limits = node.limits
    if decoded.frame_class is FrameClass.LOADS:
        if node.dialect.loads.relative_to != "never":
            if node.stands is None:
                raise _refusal(node, "guard-target", "a relative load before it is known where the axis stands")
            target += node.stands
        node.way = None if node.stands is None else target - node.stands
    if node.homed:
        low, high = limits.travel
    elif node.found is not None:
        low, high = node.found - limits.unhomed_reach, node.found + limits.unhomed_reach
    else:
        raise _refusal(node, "guard-target", "a move before it is known where the axis stands")
    if not low <= target <= high:
        raise _refusal(node, "guard-target", f"target {target} counts is outside {low} to {high} counts")


def _judge_setting(node: _Node, decoded: Decoded) -> None:
    """A setting in several frames is judged with the frame that completes number and value."""
    message, place = _place(decoded)
    if place <= 1:
        node.values = {}
    node.values |= decoded.values
    if "edge" in node.values:  # declares a position: the travel holds from now on, and the edge lies just outside it
        edge, allowed = node.values["edge"], node.limits.edge
        if edge != allowed:
            raise _refusal(node, "guard-edge", f"home edge {edge} counts, declared in the recipe as {allowed}")
        return
    number, value = node.values.get("number"), node.values.get("value")
    if number is None or value is None:
        if place == _frames_of(node, message):
            raise _refusal(node, "guard-setting", f"{decoded.message} sets nothing that is known")
        return
    setting = node.dialect.setting_by_number(number)
    if setting is None or setting not in node.limits.settings:
        raise _refusal(node, "guard-setting", f"setting {number} is none that this recipe may write")
    low, high = node.limits.settings[Setting(setting)]
    if not low <= value <= high:
        raise _refusal(node, "guard-setting", f"raw {setting} {value} is outside {low} to {high}")
    _judge_meaning(node, "guard-setting", node.dialect.settings[Setting(setting)], value)


def _judge_meaning(node: _Node, rule: str, scale: Scale, raw: int) -> None:
    """A raw value that means something else, such as no limit, is never wanted (P24)."""
    if scale.special and raw in scale.special:
        raise _refusal(node, rule, f"raw value {raw} means {scale.special[raw]!r}")


def _judge_output(node: _Node, decoded: Decoded) -> None:
    output, on = decoded.values["output"], decoded.values["on"]
    if output not in node.limits.outputs:
        allowed = ", ".join(map(str, node.limits.outputs)) or "none"
        raise _refusal(node, "guard-output", f"output {output} is not declared in the recipe; declared are {allowed}")
    if on not in (0, 1):
        raise _refusal(node, "guard-output", f"output {output} would be set to {on}; 0 and 1 are allowed")
