"""One axis and one pair as the screen knows them: what was read of late, what was ordered, what both say together."""

from collections import deque
from dataclasses import dataclass, field
from typing import Any

from choreo.journal import fraction
from choreo.motion.profile import Profile, move_profile

#: So many readings are kept: at 50 Hz those of more than half a second.
KEPT = 32
#: Of so many of the last ones speed is made, and the worst deviation is shown.
LATEST = 6
#: An axis that is this share of its speed limit from standing still is still moving.
CREEP = 0.005
#: A move that nobody waits for counts as over so long after its profile.
OVER_NS = 500_000_000

#: Asked at, arrived at (ns since the start), counts: the reading was taken somewhere in between.
Reading = tuple[int, int, int]


@dataclass(slots=True, eq=False)
class Going:
    """A move as the journal has it; its profile is computed when somebody looks."""

    fields: dict[str, Any]
    _profile: Profile | None = None
    _bad: bool = False

    @property
    def from_counts(self) -> int:
        """Where it starts."""
        return int(self.fields["from_counts"])

    @property
    def begin_ns(self) -> int:
        """Start of the profile."""
        return int(self.fields["t0"])

    @property
    def end_ns(self) -> int:
        """Predicted end."""
        profile = self.profile
        return self.begin_ns + (0 if profile is None else round(profile.duration * 1e9))

    @property
    def profile(self) -> Profile | None:
        """In the axis' unit and seconds; None where the record makes no sense."""
        if self._profile is None and not self._bad:
            jerk = self.fields["jerk"]
            try:
                way, speed, ramp = (fraction(self.fields[name]) for name in ("distance", "speed", "acceleration"))
                self._profile = move_profile(way, speed, ramp, None if jerk is None else fraction(jerk))
            except (ValueError, TypeError, ArithmeticError):
                self._bad = True
        return self._profile


@dataclass(slots=True)
class AxisView:
    """
    One axis. Positions in its unit, from the machine's zero once it is homed, before that from where it was found.
    `state` is a word: waiting, loaded, moving, there, stopping, at rest, NOT PROVEN. `power` is None when unknown.
    """

    name: str
    unit: str
    scale: float
    low: float | None
    high: float | None
    tracking: float | None = None
    speed_limit: float | None = None
    lag_ns: int = 0
    zero: int | None = None
    homed: bool = False
    target: float | None = None
    state: str = "waiting"
    power: bool | None = None
    going: Going | None = None
    readings: deque[Reading] = field(default_factory=lambda: deque(maxlen=KEPT))
    _worst: float | None = None  # the deviation, and of which reading and move: it is asked for often
    _worst_of: tuple[Reading, "Going"] | None = None

    @property
    def counts(self) -> int | None:
        """The last reading."""
        return self.readings[-1][2] if self.readings else None

    @property
    def position(self) -> float | None:
        """None until it was read once."""
        if not self.readings or self.zero is None:
            return None
        return (self.readings[-1][2] - self.zero) / self.scale

    @property
    def place(self) -> float | None:
        """Where it stands within its travel, 0 to 1; None before it is homed."""
        position = self.position
        if not self.homed or position is None or self.low is None or self.high is None or self.high <= self.low:
            return None
        return min(1.0, max(0.0, (position - self.low) / (self.high - self.low)))

    @property
    def speed(self) -> float | None:
        """Units a second over the latest readings; None before there are two."""
        if len(self.readings) < 2:
            return None
        first, last = self.readings[-min(LATEST, len(self.readings))], self.readings[-1]
        span = (last[0] + last[1] - first[0] - first[1]) / 2
        return (last[2] - first[2]) / self.scale * 1e9 / span if span > 0 else None

    @property
    def deviation(self) -> float | None:
        """
        The largest distance of a reading from the predicted motion, over the interval in which it was taken, with the
        declared lag (practice.md P8); of the latest readings. None where nothing is predicted.
        """
        if self.going is None or not self.readings:
            return None
        if self._worst_of != (self.readings[-1], self.going):
            self._worst_of = (self.readings[-1], self.going)
            self._worst = self._away(self.going)
        return self._worst

    def _away(self, going: Going) -> float | None:
        if going.profile is None:
            return None
        profile, start, lag = going.profile, going.begin_ns, self.lag_ns
        worst: float | None = None
        for place in range(-min(LATEST, len(self.readings)), 0):
            asked_ns, arrived_ns, counts = self.readings[place]
            if arrived_ns < start:
                continue
            low, high = (
                profile.position((asked_ns - start - lag) * 1e-9),
                profile.position((arrived_ns - start - lag) * 1e-9),
            )
            if low > high:
                low, high = high, low
            gone = (counts - going.from_counts) / self.scale
            away = max(low - gone, gone - high, 0.0)
            worst = away if worst is None else max(worst, away)
        return worst

    @property
    def strain(self) -> float:
        """The deviation as a share of its limit; 0 where there is none."""
        deviation = self.deviation
        return 0.0 if deviation is None or not self.tracking else deviation / self.tracking

    @property
    def creeping(self) -> bool:
        """Whether its readings are still changing noticeably."""
        return abs(self.speed or 0.0) > CREEP * (self.speed_limit or 1.0)

    @property
    def moves(self) -> bool:
        """Whether it is under way: sent off and not known to have come to rest."""
        if self.state == "stopping":
            return self.creeping
        if self.state != "moving":
            return False
        if self.going is None or not self.readings:
            return True
        return self.readings[-1][1] < self.going.end_ns + self.lag_ns + OVER_NS or self.creeping

    @property
    def word(self) -> str:
        """Its state in a word."""
        if self.state in ("waiting", "there", "moving") and not self.moves:
            if self.power is False:
                return "no power"
            return "there" if self.state == "moving" else self.state
        return self.state

    def go(self, fields: dict[str, Any]) -> None:
        """It was sent on its way."""
        self.zero = int(fields["anchor_counts"] or 0)
        self.target = (int(fields["target_counts"]) - self.zero) / self.scale
        self.going = Going(fields)
        self.state = "moving"

    def coast(self) -> None:
        """It was told to stop: nothing is predicted of it any more."""
        self.going = None
        self.target = None

    def count_anew(self) -> None:
        """Its drive counts from the machine's zero from now on."""
        if not self.homed or self.zero != 0 or self.going is not None:
            self.readings.clear()
        self.zero, self.target, self.going = 0, None, None


@dataclass(slots=True)
class PairView:
    """Two sides of one beam. `trip` is the skew at which everything is stopped, in their unit."""

    name: str
    first: AxisView
    second: AxisView
    trip: float

    @property
    def skew(self) -> float | None:
        """First side less second at one instant (practice.md P9); None until both were read twice."""
        first, second = self.first, self.second
        if len(first.readings) < 2 or len(second.readings) < 2 or first.zero is None or second.zero is None:
            return None
        instant = min(_middle(first.readings[-1]), _middle(second.readings[-1]))
        return _at(first, first.zero, instant) - _at(second, second.zero, instant)

    @property
    def strain(self) -> float:
        """The skew as a share of the trip limit."""
        return abs(self.skew or 0.0) / self.trip if self.trip else 0.0


def _middle(reading: Reading) -> float:
    return (reading[0] + reading[1]) / 2


def _at(axis: AxisView, zero: int, instant: float) -> float:
    """Its position at an instant, along the line through its last two readings."""
    old, new = axis.readings[-2], axis.readings[-1]
    span = _middle(new) - _middle(old)
    counts: float = new[2]
    if span > 0:
        counts += (new[2] - old[2]) * (instant - _middle(new)) / span
    return (counts - zero) / axis.scale
