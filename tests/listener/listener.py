"""
Everything that the host sends, judged frame by frame.

Reported are: frames that mean nothing, broadcasts other than start and stop, nodes that the machine does not have,
targets outside the travel of a homed drive or beyond the reach of an unhomed one, speeds and settings above the limits,
a home edge declared elsewhere than it lies, and whatever moves an axis or makes it ready to move after the last stop of
a run that failed. A run has failed when somebody told all nodes to stop, by broadcast and one by one (practice.md P13).

A homed axis that looks for its switch again must leave its travel. That is taken for what it is only at the speed and
within the reach of an unhomed axis, and only if the drive is then told to capture the edge; from then on the axis is
unhomed until its home is declared anew (practice.md P21).
"""

from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

from choreo.frame import Frame
from choreo_sim.dialect_reader import SHIPPED, Message, read_dialect

from .limits import NodeRange, read_limits

MACHINE_FILES = {"kiln_gantry": Path(__file__).parents[2] / "recipes" / "kiln_gantry" / "machine.yaml"}
MAKES_MOTION = ("loads", "starts", "moves", "enables", "resets", "switches")
ROUNDING = 1  # counts by which a target may be off its exact position
NOISE = 4  # counts by which two readings of one place may differ


@dataclass(frozen=True, slots=True)
class Violation:
    """A frame that should not have been sent."""

    t_ns: int
    frame: Frame
    what: str

    def __str__(self) -> str:
        return f"{self.t_ns / 1e9:.6f} s  {self.frame.text()}  {self.what}"


@dataclass(slots=True)
class _Known:
    """What the listener has heard of a drive: where it is, whether its counts are the machine's."""

    range: NodeRange
    told: bytes | None = None  # the last reply that held its position
    homed: bool = False
    search: Violation | None = None  # left its travel, and was not yet told to capture the edge


class Listener:
    """
    Hangs itself on the bus of a link whose machine it knows, or of any whose machine file it is given; `active` says
    whether it does.
    """

    def __init__(self, link: Any, machine_file: Path | None = None) -> None:
        request = getattr(link.machine, "request", None)
        file = MACHINE_FILES.get(getattr(request, "machine", None) or "") if machine_file is None else machine_file
        self.active = file is not None
        self.frames = 0
        self._violations: list[Violation] = []
        self._stops: list[tuple[int, int]] = []  # (place in the order of frames, node)
        self._motions: list[tuple[int, int, Frame, str]] = []  # (place, time, frame, class)
        if file is not None:
            self._host = link.host.name
            self._dialect = read_dialect(SHIPPED / "short_frame.yaml")
            limits = read_limits(file)
            self._nodes = {node: _Known(found) for node, found in limits.items()}
            for left in request.left:  # an earlier run has homed it
                self._nodes[left.node].homed = left.homed
            poll, home = self._dialect.messages["read_position"], self._dialect.messages["home"]
            assert poll.reply is not None
            assert home.reply is not None
            self._poll, self._position, self._homed = poll.request, poll.reply, home.reply
            self._polled = {poll.request_base + node for node in self._nodes}
            self._replies = {(poll.reply_base or 0) + node: known for node, known in self._nodes.items()}
            link.bus.taps.append(self.hear)

    def violations(self) -> list[Violation]:
        """All of them, those that only the end of the run shows included."""
        if not self.active:
            return []
        if self._failed():
            return self._violations + self._after_the_last_stop()
        searches = [known.search for known in self._nodes.values() if known.search is not None]
        return self._violations + searches

    def forgive(self) -> None:
        """Forget what was found: for tests that break the rules on purpose."""
        self._violations = []
        self._motions = []
        for known in self._nodes.values():
            known.search = None

    def hear(self, frame: Frame, t_ns: int, sender: str) -> None:
        """Every frame that got through, whoever sent it."""
        if sender != self._host:
            self._hear_drive(frame)
            return
        self.frames += 1
        if frame.data == self._poll.prefix and frame.id in self._polled:
            return
        decoded = self._dialect.request_of(frame)
        if decoded is None:
            self._report(t_ns, frame, "means nothing to the drives")
            return
        message, node, values = decoded
        if message.frame_class == "stops":
            self._stops.append((self.frames, node))
        elif message.frame_class in MAKES_MOTION:
            self._motions.append((self.frames, t_ns, frame, message.frame_class))
        known = self._nodes.get(node)
        if known is not None and message.frame_class in ("moves", "loads") and self._leaves(known, values["target"]):
            known.homed = False
            known.search = Violation(t_ns, frame, f"{known.range.axis}: out of its travel, and not to find its switch")
        for what in self._judge(message, node, values):
            self._report(t_ns, frame, what)

    def _report(self, t_ns: int, frame: Frame, what: str) -> None:
        self._violations.append(Violation(t_ns, frame, what))

    def _hear_drive(self, frame: Frame) -> None:
        known = self._replies.get(frame.id)
        if known is None:
            return
        if frame.data.startswith(self._position.prefix):
            known.told = frame.data
        elif frame.data.startswith(self._homed.prefix):
            known.homed, known.told = True, None  # its counts have shifted

    def _last(self, known: _Known) -> int | None:
        """The position that the drive told last."""
        values = self._position.unpack(known.told) if known.told is not None else None
        return values["position"] if values is not None else None

    def _judge(self, message: Message, node: int, values: dict[str, int]) -> list[str]:
        if node == self._dialect.broadcast:
            allowed = message.frame_class in ("starts", "stops")
            return [] if allowed else [f"{message.name} is broadcast; only start and stop may be"]
        known = self._nodes.get(node)
        if known is None:
            return [f"{message.name} is for node {node}, which the machine does not have"]
        if message.frame_class in ("moves", "loads"):
            return [*self._judge_target(known, values["target"]), *self._judge_speed(known, values["speed"])]
        if message.name == "write_setting":
            return self._judge_setting(known, values["number"], values["value"])
        if message.name == "arm_latch":
            known.homed, known.search = False, None
        if message.name == "home" and abs(values["edge"] - known.range.edge) > ROUNDING:
            return [f"declares the edge at {values['edge']} counts; it lies at {float(known.range.edge):.1f}"]
        return []

    @staticmethod
    def _leaves(known: _Known, target: int) -> bool:
        low, high = known.range.travel
        return known.homed and not low - ROUNDING <= target <= high + ROUNDING

    def _judge_target(self, known: _Known, target: int) -> list[str]:
        if known.homed:
            return []  # within its travel: `_leaves` has looked
        last = self._last(known)
        if last is None:
            return ["a target before anybody asked where the axis stands"]
        if abs(target - last) <= known.range.unhomed_reach + NOISE:
            return []
        reach = float(known.range.unhomed_reach)
        return [f"{known.range.axis}: target {target} is more than {reach:.1f} counts from {last}"]

    def _judge_speed(self, known: _Known, raw: int) -> list[str]:
        rule = self._dialect.setting(self._dialect.move_speed)
        ceiling = known.range.ceilings["speed"] if known.homed else known.range.unhomed_speed
        return self._judge_raw(known, "speed", raw, ceiling / rule.step, rule.low)

    def _judge_setting(self, known: _Known, number: int, raw: int) -> list[str]:
        rule = self._dialect.settings.get(number)
        if rule is None:
            return [f"setting {number} is none of the dialect's"]
        ceiling = known.range.ceilings.get(rule.name)
        return self._judge_raw(known, rule.name, raw, rule.high if ceiling is None else ceiling / rule.step, rule.low)

    @staticmethod
    def _judge_raw(known: _Known, name: str, raw: int, high: Fraction | int, low: int) -> list[str]:
        if low <= raw <= high:
            return []
        return [f"{known.range.axis}: {name} {raw} is outside {low} to {float(high):.1f} (raw)"]

    def _failed(self) -> bool:
        return not {self._dialect.broadcast, *self._nodes} - {node for _, node in self._stops}

    def _after_the_last_stop(self) -> list[Violation]:
        last = self._stops[-1][0]
        return [
            Violation(t_ns, frame, f"{kind} after the last stop")
            for place, t_ns, frame, kind in self._motions
            if place > last
        ]
