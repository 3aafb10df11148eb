"""What is known of each axis while a run goes on: readings, what it is expected to do, load, home."""

from collections import deque
from fractions import Fraction
from typing import NamedTuple

from choreo.drive.verbs import Drive
from choreo.motion.profile import Profile
from choreo.plan.model import AxisPlan
from choreo.plan.onset import noticeable


class Motion:
    """
    A move under way, as predicted: `profile` (in the axis' unit) from `from_counts`, begun between `early_ns` and
    `late_ns` (the drive takes the trigger at its next internal cycle, P32).
    """

    __slots__ = (
        "counts_per_unit",
        "early_ns",
        "end_ns",
        "from_counts",
        "lag_ns",
        "late_ns",
        "profile",
        "target_counts",
    )

    def __init__(
        self, axis: AxisPlan, profile: Profile, from_counts: int, target_counts: int, early_ns: int, late_ns: int
    ) -> None:
        self.profile = profile
        self.counts_per_unit = float(axis.counts_per_unit)
        self.from_counts = from_counts
        self.target_counts = target_counts
        self.early_ns = early_ns
        self.late_ns = late_ns
        self.lag_ns = axis.lag_ns
        self.end_ns = late_ns + round(profile.duration * 1e9)

    def counts_at(self, elapsed_ns: int) -> float:
        """Predicted counts so long after the start."""
        return self.from_counts + self.profile.position(elapsed_ns * 1e-9) * self.counts_per_unit

    def expected(self, asked_ns: int, arrived_ns: int) -> tuple[float, float]:
        """
        The lowest and highest count that a reading taken somewhere between the two instants may show.

        The axis follows the profile with its declared lag τ: p(t − τ) over the interval, widened by the uncertainty of
        the start (practice.md P8, common practice, no source). A move never turns back, so its ends bound it.
        """
        if asked_ns - self.lag_ns > self.end_ns:
            return self.target_counts, self.target_counts
        first = self.counts_at(asked_ns - self.lag_ns - self.late_ns)
        last = self.counts_at(arrived_ns - self.lag_ns - self.early_ns)
        return (first, last) if first <= last else (last, first)


class Reading(NamedTuple):
    """A position sample is an interval: asked at, arrived at (link time); `counts` unwrapped."""

    counts: int
    asked_ns: int
    arrived_ns: int

    @property
    def middle_ns(self) -> int:
        """The best single instant for it."""
        return (self.asked_ns + self.arrived_ns) // 2


class Axis:
    """One axis of the run. Positions in its own unit are counted from `anchor_counts`."""

    def __init__(self, plan: AxisPlan, drive: Drive, position_span: int) -> None:
        self.plan = plan
        self.drive = drive
        self.name = plan.name
        self.position_span = position_span  # how many counts the wire can tell apart
        self.scale = float(plan.counts_per_unit)
        self.tracking_counts = self.tolerance_counts(plan.limits.tracking)
        self.fastest_counts = self.tolerance_counts(plan.limits.speed)  # a second
        self.noticeable_counts = self.tolerance_counts(noticeable(plan))
        self.counts = 0
        self.went = 0  # since the reading before, counts
        self.first_counts = 0
        self.readings: deque[Reading] = deque(maxlen=4)  # the last few, newest last
        self.samples = 0
        self.anchor_counts = 0  # known from the first reading on
        self.found_counts = 0  # where it was found, or taken to be found, without home
        self.enabled = False
        self.switching = False  # its power is being switched: what it says of it meanwhile is no news
        self.braked = plan.brake is not None
        self.brake_holds = True  # as far as anybody has seen
        # How fast its drive slows down, in the unit per second squared; the limits until settings are known.
        self.stop_ramp = plan.limits.acceleration
        self.quick_stop_ramp = plan.limits.quick_stop
        self.jerk = plan.limits.jerk
        self.home_valid = False
        self.load_state = "unknown"  # "empty", "loaded", "unknown"
        self.load_kept = False  # what it holds was started before, and would run again at the next start (P1)
        self.target_known = False  # the drive's last target is where it stands, or will stand
        self.motion: Motion | None = None
        self.stand_counts: int | None = None  # where it should stand; None: not expected to be anywhere
        self.commanded = False  # told to move since the run began
        self.alive = False  # its encoder was seen to change since the run began, be it by its noise: it is not frozen
        self.onset_by_ns: int | None = None
        self.window: tuple[int, int] | None = None  # counts within which it is taken to have arrived
        self.inside_since_ns: int | None = None
        self.polls = 0
        self.off = Fraction(0)  # how far from where the plan has it: an input ended its last move (in its unit)

    def accept(self, wire_counts: int, asked_ns: int, arrived_ns: int) -> None:
        """Take a reading; the wire's wrap-around is undone."""
        if self.samples:
            delta = wire_counts - self.counts
            span = self.position_span
            if not -span < 2 * delta < span:
                delta = (delta + span // 2) % span - span // 2
            counts = self.counts + delta
            self.went = delta
        else:
            counts = self.first_counts = wire_counts
            self.went = 0
        if counts != self.first_counts:
            self.alive = True
        self.counts = counts
        self.samples += 1
        self.polls += 1
        self.readings.append(Reading(counts, asked_ns, arrived_ns))
        window = self.window
        if window is not None:
            if not window[0] <= counts <= window[1]:
                self.inside_since_ns = None
            elif self.inside_since_ns is None:
                self.inside_since_ns = asked_ns

    def forget_readings(self) -> None:
        """The drive counts from another zero from now on: what was read before is worth nothing."""
        self.readings.clear()
        self.samples = 0

    def forget_all_but_last(self) -> None:
        """What was read before is no measure of its speed: the drive may count from another zero since."""
        last = self.readings.pop()
        self.readings.clear()
        self.readings.append(last)

    def position(self, counts: float | None = None) -> float:
        """A count (the last reading, if None) in the axis' unit, from its anchor."""
        value = self.counts if counts is None else counts
        return (value - self.anchor_counts) / self.scale

    def target_counts(self, offset: Fraction) -> int:
        """The drive's counts of an exact position."""
        return self.anchor_counts + self.plan.counts(offset)

    def tolerance_counts(self, distance: Fraction) -> float:
        """A distance in the axis' unit as a positive number of counts."""
        return abs(float(distance * self.plan.counts_per_unit))

    def stands(self, since_ns: int, noise: int) -> bool:
        """Three fresh readings, asked after `since_ns`, that do not differ by more than the encoder's noise (P10)."""
        fresh = [reading.counts for reading in self.readings if reading.asked_ns >= since_ns][-3:]
        return len(fresh) == 3 and max(fresh) - min(fresh) <= noise

    def speed(self) -> float:
        """Counts a second over the last two readings; 0 while there are not two."""
        if len(self.readings) < 2:
            return 0.0
        old, new = self.readings[-2], self.readings[-1]
        return (new.counts - old.counts) * 1e9 / max(1, new.middle_ns - old.middle_ns)

    def speed_bounds(self) -> tuple[float, float]:
        """
        The least and the most that its speed may be, counts a second: each of the last two readings was taken somewhere
        between request and reply, and a reply that is late by a poll doubles what `speed` says.
        """
        if len(self.readings) < 2:
            return 0.0, 0.0
        old, new = self.readings[-2], self.readings[-1]
        way = abs(new.counts - old.counts) * 1e9
        return way / max(1, new.arrived_ns - old.asked_ns), way / max(1, new.asked_ns - old.arrived_ns)

    @property
    def on_its_brake(self) -> bool:
        """Whether only its brake holds it (practice.md P15)."""
        return self.plan.vertical and self.braked and not self.enabled

    @property
    def standing_at(self) -> int:
        """Where it was told to stand, or else where it was last read to be: from there its next move goes."""
        return self.counts if self.stand_counts is None else self.stand_counts

    def begin(self, motion: Motion) -> None:
        """It moves as predicted from now on."""
        self.motion = motion
        self.stand_counts = None
        self.commanded = True

    def coast(self) -> None:
        """It is slowing down somewhere: nothing is expected of it but the pair's skew and its end."""
        self.target_known = self.target_known and self.motion is None
        self.motion = None
        self.stand_counts = None
        self.onset_by_ns = None

    def stand(self, counts: int) -> None:
        """It should stand there from now on."""
        self.motion = None
        self.stand_counts = counts
        self.onset_by_ns = None
