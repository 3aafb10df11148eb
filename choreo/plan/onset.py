"""
By when an axis must be seen to start after its trigger: computed, not guessed.

practice.md P5 (common practice, no source).
"""

from fractions import Fraction

from choreo.motion.profile import Profile, time_to_travel
from choreo.plan.model import AxisPlan
from choreo.wire.dialect import Timing

#: An axis counts as seen to move beyond this distance, by its unit, or beyond this many times its encoder's noise.
ONSET_DISTANCE = {"mm": Fraction(1, 10), "deg": Fraction(1, 10), "rev": Fraction(1, 3600)}
ONSET_NOISES = 4
#: What friction may take before a heavy axis breaks away.
BREAKAWAY_NS = 20_000_000


def noticeable(axis: AxisPlan) -> Fraction:
    """The distance, in the axis' unit, beyond which a reading shows motion and not noise."""
    return max(ONSET_DISTANCE[axis.unit], ONSET_NOISES * axis.noise_counts / abs(axis.counts_per_unit))


def onset_limit_ns(
    profile: Profile, threshold: Fraction, timing: Timing, *, lag_ns: int, poll_ns: int, reply_ns: int
) -> int | None:
    """
    Nanoseconds from the trigger on the wire to the latest request whose reply must show motion.

    The profile's time to `threshold`, the position loop's lag, the drive's latch and cycle, an allowance for breakaway,
    two polls and the worst response. None when the move is too short to be seen: only its end is checked then.
    """
    if abs(profile.distance) <= 2 * threshold:
        return None
    travelled = time_to_travel(profile, float(threshold))
    if travelled is None:
        return None
    return round(travelled * 1e9) + lag_ns + timing.latch_ns + timing.cycle_ns + BREAKAWAY_NS + 2 * poll_ns + reply_ns
