"""
How one axis comes to rest: what its ramp allows, what its readings prove, and what may be done next.

practice.md P10, P14, P17 (common practice, no source).
"""

import math
from dataclasses import dataclass

from choreo.run.axes import Axis
from choreo.run.log import MS

#: Beyond what its ramp explains, a speed may read this much too high: a factor, and counts a second (P14).
RUNAWAY_FACTOR = 1.25
RUNAWAY_COUNTS_PER_S = 20_000.0
#: What a stop may take to act, beyond its ramp: the frames, the drive's cycle, its lag, two polls.
REACTION_NS = 100 * MS


@dataclass(slots=True)
class Rest:
    """How one axis ended (P17). `proven` is whether it was seen to stand; `load` is "empty", "loaded" or "unknown"."""

    axis: Axis
    proven: bool = False
    energised: bool | None = None
    fault: int | None = None
    load: str = "unknown"
    cut: bool = False  # power was taken and the brake applied because it ran away
    speed_at_stop: float = 0.0
    lowest: float = math.inf  # the lowest speed since every ramp must fall, counts a second
    fastest: float = 0.0  # `speed_at_stop`, or what the motion under way asked for, if that is more
    at_stop: int | None = None  # its last counts before the stop
    ramp_known: bool = True  # whether its drive's ramps are: they decide how long it may take to slow down
    repeats: bool = False  # its motion was well away from a reading that did not change when the stop began
    rising: tuple[bool, int] | None = None  # the way in which it was too fast, and the reading that showed it first
    way: float = 0.0  # how many counts its ramp needs at least, from the speed that it had or should have had
    why: str = ""

    def next_action(self) -> str:
        """What may safely be done next."""
        if not self.axis.brake_holds:
            return (
                "Stay clear of it and of what it carries: its brake does not hold. Support the load before its power "
                "is taken, and have the brake seen to before the next run."
            )
        if not self.proven:
            return (
                "Stay clear. Take the power away with the machine's own emergency stop, and see for yourself that the "
                "axis stands, before anyone goes near it."
            )
        if self.load != "empty":
            return "It may hold a load: switch the drive off before any start trigger is sent on this bus."
        if not self.axis.home_valid:
            return "Find the cause, then home it before the next move to a position."
        return "Find the cause before the next run."


@dataclass(frozen=True, slots=True)
class Ramp:
    """
    What a stop may look like on one axis: with limited jerk the speed goes on rising for `rise_ns`, to `peak` at most
    (counts a second), and is down after `down_ns`.
    """

    peak: float
    rise_ns: int
    down_ns: int

    @classmethod
    def of(cls, axis: Axis, speed: float, quick: bool) -> "Ramp":
        """From a speed in counts a second, with the settings that the drive has."""
        steady, jerk = float(axis.stop_ramp), axis.jerk
        rise_s = steady / float(jerk) if jerk else 0.0  # from full acceleration down to none
        unseen_s = REACTION_NS / 2e9  # the speed was read up to two polls ago, and the stop is not there yet
        peak = speed + steady * (rise_s / 2 + unseen_s) * abs(axis.scale)
        slowing = float(axis.quick_stop_ramp if quick else axis.stop_ramp) * abs(axis.scale)
        down_s = rise_s + peak / slowing + (0.0 if quick else rise_s)
        return cls(peak, round(rise_s * 1e9), round(down_s * 1e9))


def note_way(rest: Rest, now: int) -> None:
    """
    From the speed at the stop: what was measured, or what the motion under way asks for, whichever is more. Of an axis
    that nobody has read it may be all that it is allowed, whoever moves it.
    """
    axis, motion = rest.axis, rest.axis.motion
    if not axis.readings:
        rest.fastest = axis.fastest_counts
        return
    speed = rest.speed_at_stop
    if motion is not None:
        asked = motion.profile.velocity((now - motion.late_ns - motion.lag_ns) * 1e-9)
        speed = max(speed, abs(asked * axis.scale))
        rest.repeats = _only_repeats(axis)
    rest.fastest = speed
    rest.at_stop = axis.counts if axis.readings else None
    steepest = float(max(axis.quick_stop_ramp, axis.stop_ramp)) * abs(axis.scale)
    rest.way = speed**2 / (2 * steepest)


def _only_repeats(axis: Axis) -> bool:
    """Whether its reading has not changed by a count while its motion went well away from it (P10)."""
    motion, readings = axis.motion, axis.readings
    if motion is None or len(readings) < 3 or len({reading.counts for reading in readings}) > 1:
        return False
    low, high = motion.expected(readings[-1].asked_ns, readings[-1].arrived_ns)
    return not low - axis.noticeable_counts <= axis.counts <= high + axis.noticeable_counts


def note_not_held(rest: Rest) -> None:
    """Taking its power has failed after it was proved to stand."""
    if not rest.axis.brake_holds:
        rest.proven, rest.energised, rest.why = False, False, "its brake does not hold it without power"


def note_silent(rest: Rest) -> None:
    """Nobody has heard of it since it was proved to stand: its power may be gone, and its home with it."""
    if rest.proven:
        rest.proven, rest.energised, rest.why = False, None, "it has stopped answering since it was seen to stand"
        rest.axis.home_valid = False


def frozen(rest: Rest) -> bool:
    """
    Whether the reading may only repeat itself (P10): it has gone less than half of the way that the ramp needs, or has
    repeated itself since before the stop, and does not change by a single count. A blocked axis shows the noise of its
    encoder, if it has any.
    """
    axis = rest.axis
    if rest.at_stop is None or len({reading.counts for reading in axis.readings}) > 1:
        return False
    if rest.repeats and axis.counts == rest.at_stop:
        return True
    return rest.way >= axis.noticeable_counts and abs(axis.counts - rest.at_stop) < rest.way / 2


def runs_away(rest: Rest, ramp: Ramp, since: int) -> bool:
    """
    Faster than its ramp can explain, rising when every ramp falls, or not down when every ramp is over. Judged at the
    time of the last reading: of a node that fell silent nothing is known. A vertical axis falls until its brake has
    closed when its power is taken, so that one reading that is off must not do it: two must show it, the same way.
    """
    if len(rest.axis.readings) < 2:
        return False
    after_ns = rest.axis.readings[-1].asked_ns - since
    speed, most = rest.axis.speed_bounds()
    if after_ns > ramp.rise_ns + REACTION_NS:
        rest.lowest = min(rest.lowest, most)
    fast = speed > RUNAWAY_FACTOR * ramp.peak + RUNAWAY_COUNTS_PER_S
    if rest.ramp_known:  # else nobody knows for how long it may rise, nor when it must be down
        fast = fast or speed > RUNAWAY_FACTOR * rest.lowest + RUNAWAY_COUNTS_PER_S
        fast = fast or (after_ns > 1.5 * ramp.down_ns + 3 * REACTION_NS and speed > RUNAWAY_COUNTS_PER_S)
    if not fast:
        rest.rising = None
    return fast and (not rest.axis.plan.vertical or _seen_twice(rest))


def _seen_twice(rest: Rest) -> bool:
    """Whether the reading before showed it too, the same way."""
    old, new = rest.axis.readings[-2], rest.axis.readings[-1]
    upwards = new.counts > old.counts
    if rest.rising is None or rest.rising[0] is not upwards:
        rest.rising = upwards, new.asked_ns
    return new.asked_ns > rest.rising[1]
