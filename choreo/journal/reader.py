"""
Reads a journal back, as tolerantly as a broken-off run needs and no more.

A last line without newline is dropped, a missing `end` means that the run was cut off, a kind that the table does not
know is skipped, an old version is upgraded. Anything else that is not a journal is refused with its line number.
"""

import io
import json
from array import array
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

from choreo.errors import RecipeError
from choreo.journal.exact import fraction
from choreo.journal.records import KINDS, missing
from choreo.journal.upgrade import UPGRADES, Upgrade, upgrader

_SAMPLES_AT_ONCE = 10_000


@dataclass(frozen=True, slots=True)
class AxisInfo:
    """An axis as the `run` record has it. `counts_per_unit` is signed and exact, `lag_ns` its declared lag."""

    index: int
    name: str
    node: int
    unit: str
    counts_per_unit: Fraction
    pair: str | None
    lag_ns: int = 0


@dataclass(frozen=True, slots=True)
class PairInfo:
    """A pair: the indices of its two axes, its skews in their unit."""

    name: str
    axes: tuple[int, int]
    trip: Fraction
    structural: Fraction


@dataclass(frozen=True, slots=True)
class StepInfo:
    """A step as it was planned."""

    id: int
    path: str
    verb: str
    label: str
    predicted_ns: int
    timeout_ns: int
    place: str


@dataclass(frozen=True, slots=True)
class Record:
    """
    One record: its kind, its time since the start of the run, its other fields. `step` is the id of the step between
    whose `step_begin` and `step_end` it stands, both included; None outside of any.
    """

    kind: str
    t_ns: int
    fields: Mapping[str, Any]
    step: int | None = None


@dataclass(frozen=True, slots=True)
class Samples:
    """The position readings of one axis, three columns of equal length in order of arrival."""

    t_ns: "array[int]"
    counts: "array[int]"
    age_us: "array[int]"

    @classmethod
    def empty(cls) -> "Samples":
        """None yet."""
        return cls(array("q"), array("q"), array("q"))


@dataclass(frozen=True, slots=True)
class Journal:
    """
    A whole journal. `run` is the first record, `records` all of them in order, `samples` by axis index. `complete` is
    false for a run that was cut off; `skipped` are the kinds that were not understood, with their numbers.
    """

    run: Record
    records: tuple[Record, ...]
    axes: tuple[AxisInfo, ...]
    pairs: tuple[PairInfo, ...]
    steps: tuple[StepInfo, ...]
    samples: tuple[Samples, ...]
    complete: bool
    skipped: Mapping[str, int]

    def of(self, kind: str) -> Iterator[Record]:
        """The records of one kind, in order."""
        return (record for record in self.records if record.kind == kind)

    def axis(self, name: str) -> AxisInfo:
        """The axis called `name`; RecipeError when the journal has none."""
        for axis in self.axes:
            if axis.name == name:
                return axis
        raise RecipeError(f"the journal speaks of an axis {name!r} that its first line does not have", rule="journal")


def read_journal(path: Path, *, upgrades: Mapping[int, Upgrade] = UPGRADES) -> Journal:
    """Read a journal file. RecipeError when it cannot be read or is no journal."""
    try:
        with path.open("rb") as file:
            return _Reading(path, upgrades).read(_finished(file))
    except OSError as error:
        raise RecipeError(f"{path} cannot be read: {error.strerror}", rule="journal-file") from error


def read_journal_text(text: str, name: str, *, upgrades: Mapping[int, Upgrade] = UPGRADES) -> Journal:
    """Read a journal that was written into a text stream; `name` is what a RecipeError calls it."""
    return _Reading(Path(name), upgrades).read(_finished(io.BytesIO(text.encode("utf-8", "backslashreplace"))))


def _finished(file: Iterable[bytes]) -> Iterator[bytes]:
    """The lines that were finished, one at a time: a run may be long. A power cut can leave zeros behind the last."""
    empty: list[bytes] = []
    for line in file:
        if not line.endswith(b"\n"):
            return
        if line.strip(b"\0\n"):
            yield from empty
            empty.clear()
            yield line[:-1]
        else:
            empty.append(line[:-1])


class _Reading:
    def __init__(self, path: Path, upgrades: Mapping[int, Upgrade]) -> None:
        self.path = path
        self.upgrades = upgrades
        self.samples: tuple[Samples, ...] = ()
        self.skipped: dict[str, int] = {}
        self.step: int | None = None

    def read(self, lines: Iterator[bytes]) -> Journal:
        first = next(lines, None)
        if first is None:
            raise RecipeError(f"{self.path} is empty: no run was recorded", rule="journal")
        head = self._object(first, 1)
        if head.get("k") != "run" or "journal" not in head:
            raise self._refused(1, "the first line is not the 'run' record of a journal")
        upgrade = upgrader(head["journal"], self.upgrades)
        run = self._record(head, 1, upgrade)
        if run is None:
            raise self._refused(1, "the 'run' record did not survive the upgrade")
        try:
            axes, pairs, steps = _axes(run), _pairs(run), _steps(run)
        except (KeyError, TypeError, ValueError, ArithmeticError) as error:  # 1/0, Infinity
            raise self._refused(1, f"the 'run' record is incomplete ({error})") from error
        self.samples = tuple(Samples.empty() for _ in axes)
        records = [run, *self._body(lines, upgrade)]
        complete = records[-1].kind == "end"
        return Journal(run, tuple(records), axes, pairs, steps, self.samples, complete, self.skipped)

    def _body(self, lines: Iterator[bytes], upgrade: Upgrade) -> Iterator[Record]:
        """What follows the first line."""
        held: list[bytes] = []
        number = 1
        for number, line in enumerate(lines, 2):
            if line.startswith(b"["):
                held.append(line)
                if len(held) < _SAMPLES_AT_ONCE:
                    continue
                self._take_samples(held, number)
                held.clear()
                continue
            if held:
                self._take_samples(held, number - 1)
                held.clear()
            record = self._record(self._object(line, number), number, upgrade)
            if record is None:
                continue
            if record.kind in KINDS:
                yield record
            else:
                self.skipped[record.kind] = self.skipped.get(record.kind, 0) + 1
        if held:
            self._take_samples(held, number)

    def _take_samples(self, held: list[bytes], last_line: int) -> None:
        """Many at once: one call of the JSON parser for thousands of lines."""
        try:
            rows = json.loads(b"[" + b",".join(held) + b"]")
            for tag, t_ns, axis, counts, age_us in rows:
                if tag != "p" or axis < 0:
                    raise ValueError("not a sample")
                samples = self.samples[axis]
                samples.t_ns.append(t_ns)
                samples.counts.append(counts)
                samples.age_us.append(age_us)
        except (ValueError, TypeError, IndexError, OverflowError) as error:
            first = last_line - len(held) + 1
            raise self._refused(first, f"lines {first} to {last_line} hold a sample that cannot be read") from error

    def _object(self, line: bytes, number: int) -> dict[str, Any]:
        try:
            value = json.loads(line)
        except (ValueError, RecursionError) as error:
            raise self._refused(number, "the line is not JSON") from error
        if not isinstance(value, dict):
            raise self._refused(number, "the line is neither a record nor a sample")
        return value

    def _record(self, value: dict[str, Any], number: int, upgrade: Upgrade) -> Record | None:
        upgraded = upgrade(value)
        if upgraded is None:
            return None
        fields = dict(upgraded)
        kind, t_ns = fields.pop("k", None), fields.pop("t", None)
        if not isinstance(kind, str) or not isinstance(t_ns, int):
            raise self._refused(number, "the record has no kind or no time")
        lacking = missing(kind, fields)
        if lacking is not None:
            raise self._refused(number, f"the {kind!r} record has no {lacking!r}")
        if kind == "step_begin":
            self.step = fields.get("step")
        record = Record(kind, t_ns, fields, self.step)
        if kind == "step_end":
            self.step = None
        return record

    def _refused(self, line: int, why: str) -> RecipeError:
        return RecipeError(f"{self.path}:{line}: {why}", rule="journal", help="Is this the journal of a run?")


def _axes(run: Record) -> tuple[AxisInfo, ...]:
    return tuple(
        AxisInfo(
            index,
            str(axis["name"]),
            int(axis["node"]),
            str(axis["unit"]),
            fraction(axis["counts_per_unit"]),
            axis["pair"],
            int(axis.get("lag_ns", 0)),
        )
        for index, axis in enumerate(run.fields["axes"])
    )


def _pairs(run: Record) -> tuple[PairInfo, ...]:
    made = []
    for pair in run.fields["pairs"]:
        left, right = pair["axes"]
        made.append(PairInfo(str(pair["name"]), (left, right), fraction(pair["trip"]), fraction(pair["structural"])))
    return tuple(made)


def _steps(run: Record) -> tuple[StepInfo, ...]:
    return tuple(
        StepInfo(
            int(step["id"]),
            str(step["path"]),
            str(step["verb"]),
            str(step["label"] or ""),
            int(step["predicted_ns"]),
            int(step["timeout_ns"]),
            str(step["place"]),
        )
        for step in run.fields["steps"]
    )
