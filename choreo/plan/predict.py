"""
How long everything takes: predicted times, and the bounds that default timeouts are made of.

A motion, from its trigger (practice.md P31, common practice, no source):

    latch + drive cycle + profile + lag tail (4 time constants of the position loop) + one poll + settling time

The latch, the cycle and the poll are taken at their longest. What a verb costs on the bus is counted in exchanges, each
at its longest: a request and a reply of eight bytes and the dialect's `reply_within` between them, as many side by side
as the session lets out at a time. So a prediction is rather long than short; a real drive answers sooner.
"""

from collections.abc import Mapping, Sequence
from fractions import Fraction
from typing import NamedTuple

from choreo.motion.profile import move_profile, stopping_distance
from choreo.plan.conduct import HOLD_LOOK_NS, LOOK_NS, PHASE_SETTLE_NS, WINDOW
from choreo.plan.model import AxisMove, AxisPlan, Home
from choreo.plan.turns import out_at_once
from choreo.units import NS_PER_S
from choreo.wire.dialect import Dialect
from choreo.wire.lengths import longest_ns

#: The position loop is taken to have come to rest after so many of its time constants (P31: 3 to 4).
TAIL_TIME_CONSTANTS = 4
#: Proof of standstill: three fresh, equal readings (P10), and the wait for the first.
STANDSTILL_POLLS = 4

#: Exchanges of a verb with one drive.
SETTING_EXCHANGES = 3  # read, write, read back
ENABLE_EXCHANGES = 2  # the command, and its proof
BRAKE_EXCHANGES = 3  # the command, and its state before and after
LOAD_EXCHANGES = 2
RESET_EXCHANGES = 3  # its state, the command, its state
START_EXCHANGES = 1  # every drive is asked what it holds before the trigger
IDLE_EXCHANGES = 2  # of drives that keep their loads: their state, and clearing


class Predicted(NamedTuple):
    """What a step is expected to take, and the longest that it lawfully may."""

    expected_ns: int
    longest_ns: int


def exactly(ns: int) -> Predicted:
    """Expected and longest alike."""
    return Predicted(ns, ns)


class Times:
    """The times of one machine: its axes, what they speak by name of the dialect, its bus."""

    def __init__(self, axes: Sequence[AxisPlan], dialects: Mapping[str, Dialect], bit_rate: int, poll_ns: int) -> None:
        self._axes = axes
        self._spoken = [dialects[axis.dialect] for axis in axes]
        self._timing = [dialect.timing for dialect in self._spoken]
        self._frames_ns = 2 * longest_ns(8, bit_rate, any(dialect.extended for dialect in self._spoken))
        self._kept = tuple(axis for axis, spoken in enumerate(self._spoken) if spoken.loads.at_trigger == "kept")
        self.poll_ns = poll_ns
        self.every = tuple(range(len(axes)))

    def exchanges(self, axes: Sequence[int], count: int = 1, *messages: str) -> int:
        """
        `count` exchanges with each of `axes`, side by side, `messages` among them that a dialect wants silence after.
        Where there must be a gap, a poll and its own gap may come between any two.
        """
        slowest = max((self._timing[axis].reply_within_ns for axis in axes), default=0)
        out = min((out_at_once(self._spoken[axis]) for axis in axes), default=WINDOW)
        each = self._frames_ns + slowest
        gap = max((self._timing[axis].gap_ns for axis in axes), default=0)
        held_up = 2 * gap + each if gap or out < WINDOW else 0
        quiet = max((sum(self._timing[axis].quiet.get(name, 0) for name in messages) for axis in axes), default=0)
        return count * (-(-len(axes) // out) * each + held_up) + quiet

    def frames(self, axes: Sequence[int], message: str) -> int:
        """What it takes longer that a message has several frames on some axes."""
        several = [self._spoken[axis].several[message] for axis in axes if message in self._spoken[axis].several]
        if not several:
            return 0
        gaps_ns = max(one.gaps_ns for one in several)
        return self.exchanges(axes, max(one.frames for one in several) - 1) + gaps_ns

    @property
    def standstill(self) -> int:
        """Proof that axes stand."""
        return STANDSTILL_POLLS * self.poll_ns

    def enable(self, axes: Sequence[int]) -> int:
        """Power, standstill; then brakes released, shown by the drives, given their time again, standstill again."""
        brakes = [brake.release_ns for axis in axes if (brake := self._axes[axis].brake)]
        shown = self.exchanges(axes, BRAKE_EXCHANGES, "release_brake")
        release = shown + 2 * max(brakes) + self.standstill if brakes else 0
        return self.exchanges(axes, ENABLE_EXCHANGES, "enable", "status") + self.standstill + release

    def disable(self, axes: Sequence[int]) -> int:
        """Brakes applied, shown by the drives, given their time again; power off, and a look whether they hold."""
        brakes = [brake.engage_ns for axis in axes if (brake := self._axes[axis].brake)]
        engage = self.exchanges(axes, BRAKE_EXCHANGES, "apply_brake") + 2 * max(brakes) if brakes else 0
        look = HOLD_LOOK_NS + self.standstill if brakes else 0
        return engage + self.exchanges(axes, ENABLE_EXCHANGES, "disable", "status") + look

    def load(self, axes: Sequence[int]) -> int:
        """Moves put into the drives, and proved."""
        return self.exchanges(axes, LOAD_EXCHANGES, "preload") + self.frames(axes, "preload")

    def start(self) -> int:
        """
        Every drive asked what it holds, then the trigger on the wire. Drives that keep their loads are loaded with
        nothing before it.
        """
        kept = self.exchanges(self._kept, IDLE_EXCHANGES, "clear_load") + self.load(self._kept) if self._kept else 0
        wait = max((timing.gap_ns + timing.quiet.get("start", 0) for timing in self._timing), default=0)
        return kept + self.exchanges(self.every, START_EXCHANGES, "status") + wait + self._frames_ns // 2

    def tail(self, axis: int) -> int:
        """How long an axis goes on settling after its profile has ended."""
        return TAIL_TIME_CONSTANTS * self._axes[axis].lag_ns

    def motion(self, axis: int, duration_ns: int) -> int:
        """From the trigger until an axis has come to rest."""
        timing = self._timing[axis]
        return timing.latch_ns + timing.cycle_ns + duration_ns + self.tail(axis)

    def earliest(self, axis: int) -> int:
        """From the trigger until an axis sets off, at the earliest."""
        return self._timing[axis].latch_ns

    def arrival(self, settle_ns: int) -> int:
        """From rest until the axis is seen to have settled."""
        return self.poll_ns + settle_ns

    def until_trigger(self, moves: Sequence[AxisMove]) -> int:
        """Load and start of one group."""
        return self.load([move.axis for move in moves]) + self.start()

    def travel(self, moves: Sequence[AxisMove], settle_ns: int) -> int:
        """Load, start, motion, arrival of one group."""
        motion = max((self.motion(move.axis, move.duration_ns) for move in moves), default=0)
        return self.until_trigger(moves) + motion + self.arrival(settle_ns)

    def overshoot(self, action: Home, look_ns: int = LOOK_NS // 2) -> float:
        """
        How far behind the edge of its switch an axis stops, in its unit: the look (half a period on average), its
        answer, the ramp.
        """
        ramps = zip(action.acceleration, action.jerk, strict=True)
        ramp = max(stopping_distance(action.search, acceleration, jerk) for acceleration, jerk in ramps)
        return ramp + float(action.search) * (look_ns + self.exchanges(action.axes)) / NS_PER_S

    def home(self, action: Home, distance: Fraction) -> Predicted:
        """
        Homing, when the first switch lies at `distance` and a pair is square. The longest: the switch at the end of
        `within`, active at the start, and a pair out of square by all of `square_limit`.
        """
        apart = float(max(action.home_at) - min(action.home_at))
        over = self.overshoot(action)
        rest = max(abs(action.rest_at - edge) for edge in action.home_at)
        expected = (
            self._search(action, float(distance) + over)
            + self._crawl_on(action, apart - over)
            + self._back_off(action)
            + self._edges(action, float(action.back_off) - max(0.0, over - apart))
            + self._declare(action, float(rest))
        )
        limit = float(action.square_limit)
        longest = (
            self._search(action, float(action.within) + over)
            + self._crawl_on(action, limit)
            + 2 * self._back_off(action)
            + self._edges(action, float(action.back_off) + limit)
            + self._square(action, limit)
            + self._declare(action, float(rest) + limit)
        )
        return Predicted(expected, max(expected, longest))

    def _stop(self, action: Home) -> int:
        """A switch seen, the axes stopped and proved to stand."""
        return LOOK_NS + self.exchanges(action.axes) + self.standstill

    def _search(self, action: Home, distance: float) -> int:
        return self._phase(action, distance, action.search) + self._stop(action)

    def _crawl_on(self, action: Home, distance: float) -> int:
        if distance <= 0:
            return self.exchanges(action.axes)
        return self._phase(action, distance, action.crawl) + self._stop(action)

    def _back_off(self, action: Home) -> int:
        seen = self.arrival(PHASE_SETTLE_NS) + self.exchanges(action.axes)
        return self._phase(action, float(action.back_off), action.search) + seen

    def _edges(self, action: Home, distance: float) -> int:
        return self.exchanges(action.axes) + self._phase(action, distance, action.crawl) + self._stop(action)

    def _square(self, action: Home, distance: float) -> int:
        """Nothing for one axis; for a pair with the torque limit changed and changed back."""
        if len(action.axes) < 2:
            return 0
        settings = self.exchanges(action.axes, 2 * SETTING_EXCHANGES)
        return settings + self._phase(action, distance, action.crawl) + self.arrival(PHASE_SETTLE_NS)

    def _declare(self, action: Home, rest: float) -> int:
        declared = self.exchanges(action.axes) + self.standstill
        return declared + self._phase(action, rest, action.search) + self.arrival(PHASE_SETTLE_NS)

    def _phase(self, action: Home, distance: float, speed: Fraction) -> int:
        """One motion of homing: load, start, profile, tail."""
        ramps = zip(action.acceleration, action.jerk, strict=True)
        longest = max(move_profile(distance, speed, acceleration, jerk).duration for acceleration, jerk in ramps)
        motion = max(self.motion(axis, round(longest * NS_PER_S)) for axis in action.axes)
        return self.load(action.axes) + self.start() + motion
