"""
Did the axes of one trigger start together?

Polls are tens of milliseconds apart, so the first reading in motion says little. Every reading in full motion says
more: the profile tells when an axis that had started on the trigger would have been there, and the difference is its
delay. The middle one of these delays, less the declared lag of the axis' position loop, is its start.
"""

from bisect import bisect_left
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from statistics import median

from choreo.journal import AxisInfo, Journal, Record, fraction
from choreo.motion.profile import Profile, move_profile, time_to_travel

#: Readings slower than this share of the move's top speed are left out: where nothing moves, no time can be read.
IN_MOTION = 0.5


@dataclass(frozen=True, slots=True)
class AxisStart:
    """One axis' delay after the trigger and how far a single reading leaves it open, ns; None without a reading."""

    axis: str
    delay_ns: int | None
    uncertainty_ns: int
    readings: int


@dataclass(frozen=True, slots=True)
class Start:
    """One trigger. `spread_ns` is the latest minus the earliest delay; None with fewer than two of them."""

    step: str
    t_ns: int
    axes: tuple[AxisStart, ...]

    @property
    def spread_ns(self) -> int | None:
        """Latest minus earliest start."""
        delays = [axis.delay_ns for axis in self.axes if axis.delay_ns is not None]
        return max(delays) - min(delays) if len(delays) > 1 else None


def starts(journal: Journal) -> tuple[Start, ...]:
    """Every start trigger of the run, in order."""
    paths = {step.id: step.path for step in journal.steps}
    triggers = list(journal.of("trigger"))
    moves: list[list[Record]] = [[] for _ in triggers]
    for move in journal.of("move"):
        place = _trigger_of(move, triggers)
        if place is not None:
            moves[place].append(move)
    return tuple(
        Start(
            "" if trigger.step is None else paths.get(trigger.step, ""),
            trigger.fields["started_ns"],
            tuple(_axis_start(journal, move, trigger.fields["started_ns"]) for move in moves[place]),
        )
        for place, trigger in enumerate(triggers)
    )


def _trigger_of(move: Record, triggers: Sequence[Record]) -> int | None:
    """The place of the trigger that set a move off: of the same step, and the nearest in time."""
    t0 = move.fields["t0"]
    near = [
        (abs(trigger.fields["started_ns"] - t0), place)
        for place, trigger in enumerate(triggers)
        if trigger.step == move.step
    ]
    return min(near)[1] if near else None


def profile_of(move: Record) -> Profile:
    """The predicted profile of a `move` record, in the axis' unit and seconds."""
    fields = move.fields
    distance, speed, acceleration = (fraction(fields[name]) for name in ("distance", "speed", "acceleration"))
    return move_profile(distance, speed, acceleration, None if fields["jerk"] is None else fraction(fields["jerk"]))


def _axis_start(journal: Journal, move: Record, started_ns: int) -> AxisStart:
    axis = journal.axis(move.fields["axis"])
    found = list(_delays(journal, axis, move, started_ns))
    if not found:
        return AxisStart(axis.name, None, 0, 0)
    delay = median(delay for delay, _ in found) - axis.lag_ns
    return AxisStart(axis.name, round(delay), round(median(half for _, half in found)), len(found))


def _delays(journal: Journal, axis: AxisInfo, move: Record, started_ns: int) -> Iterator[tuple[float, int]]:
    """Delay and half age of each reading in full motion, up to the axis' next move or a stop."""
    profile = profile_of(move)
    if profile.distance == 0.0:
        return
    samples, scale = journal.samples[axis.index], float(axis.counts_per_unit)
    counts_from, slowest = move.fields["from_counts"], IN_MOTION * profile.peak_velocity * 1e-9
    way = 1.0 if profile.distance > 0 else -1.0
    first, last = (bisect_left(samples.t_ns, t) for t in (started_ns, _over(journal, axis, move)))
    before: tuple[int, float] | None = None
    for place in range(first, last):
        half = samples.age_us[place] * 500
        at_ns, gone = samples.t_ns[place] - half, way * (samples.counts[place] - counts_from) / scale
        moving = before is not None and gone - before[1] > slowest * (at_ns - before[0])
        before = at_ns, gone
        predicted = time_to_travel(profile, gone) if moving and gone > 0.0 else None
        if predicted is None or abs(profile.velocity(predicted)) * 1e-9 < slowest:
            continue
        yield at_ns - started_ns - predicted * 1e9, half


def _over(journal: Journal, axis: AxisInfo, move: Record) -> int:
    """When the axis was sent elsewhere, or everything was stopped."""
    return min(
        (
            record.t_ns
            for record in journal.records
            if record.t_ns > move.t_ns
            and (record.kind == "stopping" or (record.kind == "move" and record.fields["axis"] == axis.name))
        ),
        default=2**62,
    )
