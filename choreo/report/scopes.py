"""
The named parts of a run (`record`): for each time that one was gone through, how long it took and how its axes moved.

Positions are those that were read. The tracking deviation is the distance of a reading to the predicted motion, over
the interval in which the reading was taken, with the declared lag of the axis (practice.md P8); of a move it counts
from its start to its axis' next move or the end of the part. By how much a drive began late is part of it.
"""

from bisect import bisect_left
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from choreo.journal import AxisInfo, Journal, Record
from choreo.motion.profile import Profile
from choreo.report.inputs import ended_by_input
from choreo.report.skew import aligned_skews
from choreo.report.starts import Start, profile_of
from choreo.report.steps import StepRow


@dataclass(frozen=True, slots=True)
class AxisInScope:
    """
    One axis that moved in a part. `lowest` and `highest` are readings in its unit, from the zero that its first move
    there counts from; `deviation` the largest tracking deviation, None where no reading was taken on the way.
    """

    axis: str
    unit: str
    lowest: float
    highest: float
    deviation: float | None


@dataclass(frozen=True, slots=True)
class PairInScope:
    """The largest skew of a pair in a part, first side minus second, in its unit; its sign is kept."""

    pair: str
    unit: str
    worst: float


@dataclass(frozen=True, slots=True)
class ScopeRow:
    """
    One pass through a named part. `taken_ns` is None where the journal ends inside of it; `spread_ns` the widest spread
    of the starts of one trigger in it, None where no trigger started several axes that could be timed.
    """

    name: str
    path: str
    outcome: str
    begin_ns: int
    taken_ns: int | None
    axes: tuple[AxisInScope, ...]
    pairs: tuple[PairInScope, ...]
    spread_ns: int | None


def scope_rows(journal: Journal, starts: Sequence[Start], rows: Sequence[StepRow]) -> tuple[ScopeRow, ...]:
    """A row for each pass, in the order in which they began."""
    begun = list(journal.of("scope_begin"))
    if not begun:
        return ()
    ended = {(record.fields["name"], record.fields["path"]): record for record in journal.of("scope_end")}
    homed = {row.step.path for row in rows if row.step.verb == "home"}
    gathered = _Gathered(journal, [start for start in starts if start.step not in homed])
    made = []
    for begin in begun:
        end = ended.get((begin.fields["name"], begin.fields["path"]))
        until_ns = journal.records[-1].t_ns if end is None else end.t_ns
        made.append(
            ScopeRow(
                begin.fields["name"],
                begin.fields["path"],
                "cut off" if end is None else end.fields["outcome"],
                begin.t_ns,
                None if end is None else end.fields["taken_ns"],
                tuple(gathered.axes(begin.t_ns, until_ns)),
                tuple(gathered.pairs(begin.t_ns, until_ns)),
                gathered.spread_ns(begin.t_ns, until_ns),
            )
        )
    return tuple(made)


class _Gathered:
    """What the rows are made of, by time: a run may go through its named parts thousands of times."""

    def __init__(self, journal: Journal, starts: Sequence[Start]) -> None:
        self._journal = journal
        self._starts = starts
        self._start_ns = [start.t_ns for start in starts]
        self._moves: dict[str, list[Record]] = {axis.name: [] for axis in journal.axes}
        for move in journal.of("move"):
            self._moves[move.fields["axis"]].append(move)
        self._move_ns = {name: [move.t_ns for move in moves] for name, moves in self._moves.items()}
        self._ended = ended_by_input(journal)
        self._skews = [(pair, list(aligned_skews(journal, pair))) for pair in journal.pairs]
        self._skew_ns = [[t_ns for _, _, t_ns in skews] for _, skews in self._skews]

    def axes(self, begin_ns: int, end_ns: int) -> Iterator[AxisInScope]:
        """Those that were sent on their way."""
        for axis in self._journal.axes:
            samples = self._journal.samples[axis.index]
            moves = self._sent(axis.name, begin_ns, end_ns)
            first, last = bisect_left(samples.t_ns, begin_ns), bisect_left(samples.t_ns, end_ns)
            if not moves or first == last:
                continue
            zero, scale = moves[0].fields["anchor_counts"], float(axis.counts_per_unit)
            read = [(counts - zero) / scale for counts in samples.counts[first:last]]
            away = _deviation(self._journal, axis, moves, end_ns, self._ended.get(axis.name, ()))
            yield AxisInScope(axis.name, axis.unit, min(read), max(read), away)

    def pairs(self, begin_ns: int, end_ns: int) -> Iterator[PairInScope]:
        """Those of which a side was sent on its way, if they were read closely enough."""
        for (pair, skews), times in zip(self._skews, self._skew_ns, strict=True):
            names = [self._journal.axes[index].name for index in pair.axes]
            if not any(self._sent(name, begin_ns, end_ns) for name in names):
                continue
            inside = [skew for skew, _, _ in skews[bisect_left(times, begin_ns) : bisect_left(times, end_ns)]]
            if inside:
                yield PairInScope(pair.name, self._journal.axes[pair.axes[0]].unit, max(inside, key=abs))

    def _sent(self, axis: str, begin_ns: int, end_ns: int) -> list[Record]:
        times = self._move_ns[axis]
        return self._moves[axis][bisect_left(times, begin_ns) : bisect_left(times, end_ns)]

    def spread_ns(self, begin_ns: int, end_ns: int) -> int | None:
        """The widest of the triggers in between."""
        inside = self._starts[bisect_left(self._start_ns, begin_ns) : bisect_left(self._start_ns, end_ns)]
        return max((start.spread_ns for start in inside if start.spread_ns is not None), default=None)


def _deviation(
    journal: Journal, axis: AxisInfo, moves: Sequence[Record], end_ns: int, ended: Sequence[int]
) -> float | None:
    worst: float | None = None
    samples, scale = journal.samples[axis.index], float(axis.counts_per_unit)
    for move, until_ns in zip(moves, [*(after.t_ns for after in moves[1:]), end_ns], strict=True):
        profile, t0 = profile_of(move), move.fields["t0"]
        until_ns = min((seen_ns for seen_ns in ended if t0 < seen_ns < until_ns), default=until_ns)
        first, last = (bisect_left(samples.t_ns, t) for t in (t0, until_ns))
        for place in range(first, last):
            arrived_ns = samples.t_ns[place] - t0 - axis.lag_ns
            asked_ns = arrived_ns - samples.age_us[place] * 1000
            gone = (samples.counts[place] - move.fields["from_counts"]) / scale
            away = _away(profile, gone, asked_ns * 1e-9, arrived_ns * 1e-9)
            worst = away if worst is None else max(worst, away)
    return worst


def _away(profile: Profile, gone: float, asked_s: float, arrived_s: float) -> float:
    """How far a reading is from the profile over the interval in which it was taken. A move never turns back."""
    low, high = sorted((profile.position(asked_s), profile.position(arrived_s)))
    return max(low - gone, gone - high, 0.0)
