"""What is made of the runs of a trial, one after the other: its size does not grow with their number."""

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from fractions import Fraction

from choreo.errors import Exit
from choreo.trial.ending import Ending

#: Of what must never happen, so many cases are kept with their words; all are counted.
CASES = 20
_TURN = re.compile(r" \(\d+ of \d+\)")

Key = tuple[int, str, str, str, str]


@dataclass(slots=True)
class Group:
    """
    Runs that ended alike: same exit code, rule, axis and step, whichever turn of a repeat it was in. `seed` and
    `headline` are those of the first; `unproven` counts runs that left an axis unproven, `faults` runs by the kind of
    fault that acted in them.
    """

    exit: int
    rule: str
    axis: str
    step: str
    what: str
    seed: int
    headline: str
    runs: int = 0
    unproven: int = 0
    faults: dict[str, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Most:
    """The largest value seen, and the first seed that had it."""

    value: float
    seed: int


@dataclass(slots=True)
class Stopping:
    """The stops of one axis: how many, how many of them unproven, how far it went at the most, in its unit."""

    unit: str
    stops: int = 0
    unproven: int = 0
    true: Most | None = None
    seen: Most | None = None


@dataclass(slots=True)
class Skew:
    """The largest skews of one pair, in its unit, and what is said of it."""

    unit: str
    trip: Fraction
    structural: Fraction
    true: Most | None = None
    seen: Most | None = None


@dataclass(frozen=True, slots=True)
class Closest:
    """The run in which a step that was done came closest to its time limit."""

    what: str
    taken_ns: int
    timeout_ns: int
    seed: int

    @property
    def ratio(self) -> float:
        """Taken to timeout."""
        return self.taken_ns / self.timeout_ns


@dataclass(frozen=True, slots=True)
class Case:
    """Something that must never happen, in one run."""

    seed: int
    what: str


@dataclass(slots=True)
class Cases:
    """How many runs, and the first few of them in words."""

    runs: int = 0
    first: list[Case] = field(default_factory=list)

    def add(self, seed: int, what: str) -> None:
        """One more run."""
        self.runs += 1
        if len(self.first) < CASES:
            self.first.append(Case(seed, what))


@dataclass(slots=True)
class Tally:
    """
    Every figure of a trial. `damage`: the machine's truth says that something broke; `restless`: an axis truly moved
    after the end though it was said to stand; `bugs`: choreo's own mistakes; `died`: processes that ended in the middle
    of a run. `quiet` counts the runs in which no fault acted.
    """

    runs: int = 0
    quiet: int = 0
    groups: dict[Key, Group] = field(default_factory=dict)
    stopping: dict[str, Stopping] = field(default_factory=dict)
    skews: dict[str, Skew] = field(default_factory=dict)
    closest: dict[str, Closest] = field(default_factory=dict)
    damage: Cases = field(default_factory=Cases)
    restless: Cases = field(default_factory=Cases)
    bugs: Cases = field(default_factory=Cases)
    died: Cases = field(default_factory=Cases)

    def add(self, ending: Ending) -> None:
        """Take one more run into account. What comes out depends on the order of runs, so add them in order."""
        self.runs += 1
        self.quiet += not ending.faults
        self._group(ending)
        self._figures(ending)
        if ending.damage:
            self.damage.add(ending.seed, "; ".join(ending.damage))
        if ending.restless:
            self.restless.add(ending.seed, ", ".join(ending.restless))
        if ending.exit == Exit.INTERNAL:
            self.bugs.add(ending.seed, ending.headline)

    def lose(self, seed: int, code: int | None) -> None:
        """A process died in the middle of a run, which is not counted among the others."""
        self.died.add(seed, "its process ended" + ("" if code is None else f" with exit code {code}"))

    def break_off(self, seed: int, headline: str) -> None:
        """A run in which not even the end could be reached."""
        self.runs += 1
        self.bugs.add(seed, headline)

    def exit(self, *, interrupted: bool = False) -> Exit:
        """
        INTERNAL when choreo met a bug of its own; OPERATOR when the trial was interrupted; STOPPED when the machine
        took damage, an axis moved that was said to stand, or a process died; REFUSED when faults did not fit the
        machine; DONE when every run ended as a run may end.
        """
        if self.bugs.runs:
            return Exit.INTERNAL
        if interrupted:
            return Exit.OPERATOR
        if self.damage.runs or self.restless.runs or self.died.runs:
            return Exit.STOPPED
        refused = any(group.exit == Exit.REFUSED for group in self.groups.values())
        return Exit.REFUSED if refused else Exit.DONE

    def in_order(self) -> list[Group]:
        """The groups: those that were done first, then by exit code and number of runs."""
        return sorted(self.groups.values(), key=lambda group: (group.exit, -group.runs, group.seed))

    def seeds(self) -> Iterator[int]:
        """The runs that are worth a look: one of each group, and those with the worst figures; each once, in order."""
        figures: list[Stopping | Skew] = [*self.stopping.values(), *self.skews.values()]
        worst = [most.seed for figure in figures for most in (figure.true, figure.seen) if most is not None]
        cases = [case.seed for kind in (self.damage, self.restless, self.bugs) for case in kind.first]
        yield from sorted({*(group.seed for group in self.groups.values()), *worst, *cases})

    def _group(self, ending: Ending) -> None:
        step = _TURN.sub("", ending.step)
        key = (ending.exit, ending.rule, ending.axis, step, ending.what)
        group = self.groups.get(key)
        if group is None:
            group = self.groups[key] = Group(*key, ending.seed, ending.headline)
        group.runs += 1
        group.unproven += bool(ending.unproven)
        for kind in ending.faults:
            group.faults[kind] = group.faults.get(kind, 0) + 1

    def _figures(self, ending: Ending) -> None:
        for stop in ending.stops:
            axis = self.stopping.setdefault(stop.axis, Stopping(stop.unit))
            axis.stops += 1
            axis.unproven += not stop.proven
            axis.true = _more(axis.true, stop.true, ending.seed)
            axis.seen = _more(axis.seen, stop.seen, ending.seed)
        for found in ending.skews:
            pair = self.skews.setdefault(found.pair, Skew(found.unit, found.trip, found.structural))
            pair.true = _more(pair.true, found.true, ending.seed)
            pair.seen = _more(pair.seen, found.seen, ending.seed)
        for step in ending.steps:
            path = _TURN.sub("", step.path)
            known = self.closest.get(path)
            if known is None or step.ratio > known.ratio:
                self.closest[path] = Closest(step.what, step.taken_ns, step.timeout_ns, ending.seed)


def _more(known: Most | None, value: float | None, seed: int) -> Most | None:
    return known if value is None or (known is not None and known.value >= value) else Most(value, seed)
