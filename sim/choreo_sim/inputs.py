"""
Digital inputs and outputs of drives: what the machine puts on them, whatever a recipe believes.

An input reads what its wiring makes of the machine: a level that changes at given times, where an axis is, how an
output was switched a while ago. A test or a fault may force any bit that a drive's inputs are read as, switches too:

    drive.inputs.force("input_3", False)
    drive.inputs.release("input_3")
"""

from bisect import bisect_right
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from math import ceil

from choreo.link.port import SimulatedCue
from choreo_sim.kernel import Handle, Kernel
from choreo_sim.mechanics import Mechanics
from choreo_sim.truth import InputTruth

#: A drive of the simulator has so many outputs, numbered from 0 or from 1 as its dialect likes.
OUTPUTS = 8

#: The level of an input at a time, not before the last change of anything.
Source = Callable[[int], bool]


class DriveInputs:
    """The inputs and outputs of one drive. `on_change` is told when a level may have changed."""

    def __init__(self, kernel: Kernel) -> None:
        self.on_change: Callable[[], None] = lambda: None
        self._kernel = kernel
        self._sources: dict[str, Source] = {}
        self._forced: dict[str, bool] = {}
        self._switched: dict[int, list[tuple[int, bool]]] = {}  # by output: since when, and how
        self._followers: list[tuple[int, int, Callable[[], None]]] = []  # output, delay, who wants to know

    def levels(self, known: Mapping[str, bool]) -> dict[str, bool]:
        """Every bit that has a level now; `known` are those that the drive has of itself."""
        now = self._kernel.now_ns
        return {**{bit: source(now) for bit, source in self._sources.items()}, **known, **self._forced}

    def connect(self, bit: str, source: Source) -> None:
        """From now on `source` says what a bit reads."""
        self._sources[bit] = source

    def force(self, bit: str, level: bool) -> None:
        """From now on a bit reads `level`, whatever the machine does."""
        self._forced[bit] = level
        self.on_change()

    def release(self, bit: str) -> None:
        """A bit reads what the machine makes of it again."""
        self._forced.pop(bit, None)
        self.on_change()

    def power_up(self) -> None:
        """As after switching on: every output is off."""
        for output in [output for output in self._switched if self.output(output)]:
            self.switch(output, False)

    def output(self, number: int) -> bool:
        """How an output is switched now."""
        return self.output_at(number, self._kernel.now_ns)

    def output_at(self, number: int, t_ns: int) -> bool:
        """How it was switched at a time; off before it was ever switched."""
        history = self._switched.get(number, [])
        place = bisect_right(history, t_ns, key=lambda entry: entry[0])
        return history[place - 1][1] if place else False

    def switch(self, number: int, on: bool) -> bool:
        """Switch an output; whether there is one of that number."""
        if not 0 <= number <= OUTPUTS:
            return False
        now = self._kernel.now_ns
        self._switched.setdefault(number, []).append((now, on))
        for output, after_ns, tell in self._followers:
            if output == number:
                self._kernel.at(now + after_ns, _told, tell)
        return True

    def follow(self, number: int, after_ns: int, tell: Callable[[], None]) -> None:
        """Call `tell` so long after each switching of an output."""
        self._followers.append((number, after_ns, tell))


@dataclass(slots=True)
class Wiring:
    """All drives' inputs, and what they may depend on, by the names of axes."""

    kernel: Kernel
    inputs: Mapping[str, DriveInputs]
    axes: Mapping[str, Mechanics]
    _watches: list["_Crossing"] = field(default_factory=list)

    def connect(self, truths: Sequence[InputTruth]) -> None:
        """Wire inputs as a machine truth says."""
        for truth in truths:
            own = self.inputs[truth.axis]
            if truth.position is not None:
                self.at_position(truth.axis, truth.bit, *truth.position, level=truth.level)
            elif truth.output is not None:
                owner, number, after_ns = truth.output
                other, level = self.inputs[owner], truth.level
                other.follow(number, after_ns, own.on_change)
                own.connect(truth.bit, _follower(other, number, after_ns, level))
            else:
                self.scripted(truth.axis, truth.bit, truth.level, truth.changes)

    def scripted(self, axis: str, bit: str, level: bool, changes: Sequence[tuple[int, bool]] = ()) -> None:
        """A level that changes at given times, in order."""
        own = self.inputs[axis]
        times = [t_ns for t_ns, _ in changes]
        levels = [level, *(after for _, after in changes)]
        own.connect(bit, lambda now: levels[bisect_right(times, now)])
        for t_ns in times:
            self.kernel.at(max(t_ns, self.kernel.now_ns), lambda _: own.on_change())

    def at_position(self, axis: str, bit: str, of: str, position: float, side: int, *, level: bool) -> None:
        """`level` while the axis `of` is at `position` or on its side (+1 or -1), the opposite elsewhere."""
        own, body = self.inputs[axis], self.axes[of]
        own.connect(bit, lambda now: ((body.position(now) - position) * side >= 0) is level)
        self._watches.append(_Crossing(self.kernel, body, body.counts(position), own))


def _told(tell: Callable[[], None]) -> None:
    tell()


def _follower(other: DriveInputs, number: int, after_ns: int, level: bool) -> Source:
    return lambda now: other.output_at(number, now - after_ns) is level


class _Crossing:
    """Tells a drive when an axis passes a place on which one of its inputs depends."""

    def __init__(self, kernel: Kernel, body: Mechanics, counts: float, inputs: DriveInputs) -> None:
        self._kernel = kernel
        self._body = body
        self._counts = counts
        self._inputs = inputs
        self._due: Handle | None = None
        body.observers.append(self._watch)

    def _watch(self) -> None:
        if self._due is not None:
            self._kernel.cancel(self._due)
            self._due = None
        body, now = self._body, self._kernel.now_ns
        after = (now - body.since_ns) * 1e-9
        low, high = body.path.bounds()
        if low == high:
            return
        found = body.path.first_crossing(self._counts, after)
        if found is not None:
            self._due = self._kernel.at(max(now, body.since_ns + ceil(found * 1e9)), self._passed)

    def _passed(self, _: object) -> None:
        self._due = None
        self._inputs.on_change()


class Cues:
    """
    A nominal machine's inputs come true by themselves: what a step waits for, when that step has begun. There is no
    machine behind them that would make them come true.
    """

    def __init__(self, wiring: Wiring, cues: Sequence[SimulatedCue]) -> None:
        self._wiring = wiring
        self._cues = {cue.path: cue for cue in cues}

    def begins(self, path: str) -> None:
        """A step begins now."""
        cue = self._cues.get(path)
        if cue is None:
            return
        wiring, now = self._wiring, self._wiring.kernel.now_ns
        if cue.moved is None:
            before = bool(wiring.inputs[cue.axis].levels({}).get(cue.bit))
            wiring.scripted(cue.axis, cue.bit, before, ((now + cue.after_ns, cue.level),))
            return
        start = wiring.axes[cue.moved].position(now)
        side = 1 if cue.way >= 0 else -1
        wiring.at_position(cue.axis, cue.bit, cue.moved, start + float(cue.way) / 2, side, level=cue.level)
        wiring.inputs[cue.axis].on_change()
