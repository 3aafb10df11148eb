"""
Pair skew: how far apart the two sides of a beam were, brought to one instant.

A reading was taken somewhere between its request and its reply, so it stands for the middle, give or take half its age;
the other side is interpolated to that instant (practice.md P9). Positions count from where the axes were found until
they are homed, from the machine's zero afterwards.
"""

from bisect import bisect_left
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median

from choreo.journal import AxisInfo, Journal, PairInfo
from choreo.report.steps import StepRow, step_at

#: Neighbours further apart than this many usual gaps are no ground for interpolation: the axis was not read in between.
WIDEST_GAP = 3


@dataclass(frozen=True, slots=True)
class PairSkew:
    """
    The largest skew of a run, first side minus second, in the pair's unit. `uncertainty` is what the two readings' ages
    at the speed of that moment leave open. None where the sides were never read close enough together.
    """

    pair: PairInfo
    unit: str
    readings: int
    worst: float | None = None
    uncertainty: float = 0.0
    t_ns: int = 0
    step: str = ""


@dataclass(frozen=True, slots=True)
class _Side:
    at_ns: list[int]
    positions: list[float]
    half_age_ns: list[int]
    widest_ns: float


def pair_skews(journal: Journal, rows: Sequence[StepRow]) -> tuple[PairSkew, ...]:
    """One figure for each pair, in the order of the journal."""
    return tuple(_pair_skew(journal, pair, rows) for pair in journal.pairs)


def _pair_skew(journal: Journal, pair: PairInfo, rows: Sequence[StepRow]) -> PairSkew:
    unit = journal.axes[pair.axes[0]].unit
    readings, worst = 0, (0.0, 0.0, 0)
    for skew, uncertainty, t_ns in aligned_skews(journal, pair):
        readings += 1
        if readings == 1 or abs(skew) > abs(worst[0]):
            worst = skew, uncertainty, t_ns
    if not readings:
        return PairSkew(pair, unit, 0)
    step = step_at(rows, worst[2])
    return PairSkew(pair, unit, readings, *worst, "" if step is None else step.path)


def aligned_skews(journal: Journal, pair: PairInfo) -> Iterator[tuple[float, float, int]]:
    """Skew, its uncertainty and the instant, for each reading of the first side that the second can be held against."""
    left, right = (journal.axes[index] for index in pair.axes)
    for begin, end in _stretches(journal, left.name, right.name):
        yield from _aligned(*(_side(journal, axis, begin, end) for axis in (left, right)))


def _stretches(journal: Journal, *names: str) -> Iterator[tuple[int, int]]:
    """Between two changes of what the counts of either side mean: from (inclusive), to (exclusive), ns."""
    changes: set[int] = set()
    last_command = 0
    for record in journal.records:
        if record.kind == "command" and record.fields["axis"] in names:
            last_command = record.t_ns
        elif record.kind == "homed" and record.fields["axis"] in names:
            # The drive took over its new count with the last command before; the record follows once it stands.
            changes.add(last_command)
    yield from pairwise([-(2**62), *sorted(changes), 2**62])


def _side(journal: Journal, axis: AxisInfo, begin: int, end: int) -> _Side:
    samples = journal.samples[axis.index]
    first, last = bisect_left(samples.t_ns, begin), bisect_left(samples.t_ns, end)
    scale = float(axis.counts_per_unit)
    half = [age * 500 for age in samples.age_us[first:last]]
    at = [t - h for t, h in zip(samples.t_ns[first:last], half, strict=True)]
    zero = _origin(journal, axis.name, begin, end)
    if zero is None:
        zero = samples.counts[first] if last > first else 0
    positions = [(counts - zero) / scale for counts in samples.counts[first:last]]
    gaps = [after - before for before, after in pairwise(at)]
    return _Side(at, positions, half, WIDEST_GAP * median(gaps) if gaps else 0.0)


def _origin(journal: Journal, name: str, begin: int, end: int) -> int | None:
    """The counts from which positions are counted in a stretch, as its first move has them."""
    for record in journal.of("move"):
        if record.fields["axis"] == name and begin <= record.t_ns < end:
            return int(record.fields["anchor_counts"])
    return None


def _aligned(left: _Side, right: _Side) -> Iterator[tuple[float, float, int]]:
    """Skew, its uncertainty and the instant, for each reading of the left side between two of the right."""
    index = 0
    for t_ns, position, half in zip(left.at_ns, left.positions, left.half_age_ns, strict=True):
        while index < len(right.at_ns) and right.at_ns[index] < t_ns:
            index += 1
        if index == len(right.at_ns):
            return
        if index == 0:
            continue
        gap = right.at_ns[index] - right.at_ns[index - 1]
        if gap > right.widest_ns:
            continue
        speed = (right.positions[index] - right.positions[index - 1]) / gap
        other = right.positions[index - 1] + speed * (t_ns - right.at_ns[index - 1])
        uncertainty = abs(speed) * (half + max(right.half_age_ns[index - 1 : index + 1]))
        yield position - other, uncertainty, t_ns
