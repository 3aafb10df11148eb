"""How far a run has come, gathered from its journal as it is written: what the screen shows."""

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from statistics import median
from typing import Any

from choreo.cli.screen.axes import AxisView, PairView
from choreo.cli.screen.views import Finding, Replies, StepView
from choreo.journal import fraction

#: So many of the last findings are kept.
FINDINGS_KEPT = 50
#: How far back replies are looked at.
LATELY_NS = 500_000_000


@dataclass(slots=True)
class Progress:
    """See the module. Feed it every record and, for positions, every sample."""

    title: str = ""
    machine: str = ""
    mode: str = ""
    seed: int | None = None
    pace: str = "1"
    axes: list[AxisView] = field(default_factory=list)
    pairs: list[PairView] = field(default_factory=list)
    steps: dict[int, StepView] = field(default_factory=dict)
    predicted_ns: int = 0
    t_ns: int = 0
    step: int | None = None
    step_began_ns: int = 0
    done: int = 0
    done_ns: int = 0  # what the steps that have ended were predicted to take
    stopping: str = ""
    question: str = ""  # that waits for an answer
    answer: str = ""  # the last thing that was said to it and did not answer it
    findings: deque[Finding] = field(default_factory=lambda: deque(maxlen=FINDINGS_KEPT))
    found: int = 0  # findings in all
    lost: int = 0
    late: int = 0
    load: float | None = None
    outcome: str | None = None  # of the whole run, once it has ended
    exit: int = 0
    _lost_ns: deque[int] = field(default_factory=lambda: deque(maxlen=1000))
    _names: dict[str, AxisView] = field(default_factory=dict)

    def record(self, kind: str, t_ns: int, fields: dict[str, Any]) -> None:
        """Take a record."""
        self.t_ns = t_ns
        handler = _HANDLERS.get(kind)
        if handler is not None:
            handler(self, fields)
        if self.question and kind in _GOES_ON:
            self.question = self.answer = ""

    def sample(self, t_ns: int, axis: int, counts: int, age_us: int) -> None:
        """Take a position reading."""
        self.t_ns = t_ns
        view = self.axes[axis]
        view.readings.append((t_ns - age_us * 1000, t_ns, counts))
        if view.zero is None:
            view.zero = counts

    @property
    def share(self) -> float:
        """How much of the predicted time is behind, 0 to 1; a step that takes longer than predicted stands still."""
        current = 0 if self.step is None else min(self.step_spent_ns, self.steps[self.step].predicted_ns)
        return (self.done_ns + current) / self.predicted_ns if self.predicted_ns else 0.0

    @property
    def step_spent_ns(self) -> int:
        """Time since the running step began."""
        return 0 if self.step is None else self.t_ns - self.step_began_ns

    @property
    def left_ns(self) -> int:
        """Of the predicted time of the whole run."""
        return max(0, round((1 - self.share) * self.predicted_ns))

    @property
    def next_step(self) -> StepView | None:
        """The one after the running step; before and between steps the next to begin."""
        following = self.done if self.step is None else self.done + 1
        return list(self.steps.values())[following] if following < len(self.steps) else None

    @property
    def moving(self) -> list[AxisView]:
        """The axes that are under way."""
        return [axis for axis in self.axes if axis.moves]

    @property
    def unproven(self) -> list[AxisView]:
        """The axes that could not be proven to stand."""
        return [axis for axis in self.axes if axis.state == "NOT PROVEN"]

    @property
    def replies(self) -> Replies:
        """From the age of the readings: a position is asked for and answered."""
        since = self.t_ns - LATELY_NS
        ages = [arrived - asked for axis in self.axes for asked, arrived, _ in axis.readings if arrived >= since]
        lost = sum(t_ns >= since for t_ns in self._lost_ns)
        return Replies(round(median(ages)) if ages else None, max(ages, default=None), lost, self.load)

    def axis(self, name: object) -> AxisView | None:
        """The axis of that name; None for none."""
        return self._names.get(name) if isinstance(name, str) else None

    def _run(self, fields: dict[str, Any]) -> None:
        self.title, self.machine, self.mode = (str(fields[key]) for key in ("title", "machine", "mode"))
        self.seed, self.pace = fields["seed"], str(fields["pace"])
        self.axes = [_axis(axis, fields["limits"].get(axis["name"], {})) for axis in fields["axes"]]
        self._names = {axis.name: axis for axis in self.axes}
        for pair in fields["pairs"]:
            first, second = (self.axes[index] for index in pair["axes"])
            self.pairs.append(PairView(str(pair["name"]), first, second, float(fraction(pair["trip"]))))
        for step in fields["steps"]:
            texts = (str(step["path"]), str(step["verb"]), str(step["label"] or ""))
            self.steps[step["id"]] = StepView(*texts, int(step["predicted_ns"]), int(step["timeout_ns"]))
        self.predicted_ns = sum(step.predicted_ns for step in self.steps.values())

    def _step_begin(self, fields: dict[str, Any]) -> None:
        self.step, self.step_began_ns = fields["step"] if fields["step"] in self.steps else None, self.t_ns

    def _step_end(self, fields: dict[str, Any]) -> None:
        self.step = None
        self.done += 1
        ended = self.steps.get(fields["step"])
        if ended is None:
            return
        self.done_ns += ended.predicted_ns
        if ended.verb in ("home", "move", "move_until") and fields["outcome"] == "done":
            self._all("moving", "there")

    def _command(self, fields: dict[str, Any]) -> None:
        """What an axis was told, as far as its state word depends on it."""
        view, verb = self.axis(fields["axis"]), str(fields["verb"])
        if view is None or fields["outcome"] not in ("done", "accepted", "sent"):
            return
        if verb in ("enable", "disable"):
            view.power = verb == "enable"
        elif verb.startswith("preload") and not self.stopping:
            view.state = "loaded"
        elif verb == "clear load" and view.state == "loaded":
            view.state = "waiting"
        elif verb in ("stop", "quick stop"):
            view.coast()
        elif verb.startswith("declare the home edge"):
            view.count_anew()

    def _move(self, fields: dict[str, Any]) -> None:
        view = self.axis(fields["axis"])
        if view is not None:
            view.go(fields)

    def _homed(self, fields: dict[str, Any]) -> None:
        view = self.axis(fields["axis"])
        if view is not None:
            if view.zero != 0:
                view.count_anew()
            view.homed = True

    def _settled(self, fields: dict[str, Any]) -> None:
        self._state(fields["axis"], "there")

    def _until(self, fields: dict[str, Any]) -> None:
        view = self.axis(fields["axis"])
        if view is not None:
            view.state, view.target, view.going = "there", None, None

    def _at_rest(self, fields: dict[str, Any]) -> None:
        self._left(fields, "at rest")

    def _unproven(self, fields: dict[str, Any]) -> None:
        self._left(fields, "NOT PROVEN")

    def _left(self, fields: dict[str, Any], state: str) -> None:
        view = self.axis(fields["axis"])
        if view is not None:
            view.state, view.power = state, fields["energised"]

    def _stopping(self, fields: dict[str, Any]) -> None:
        self.stopping = str(fields["cause"])
        for view in self.axes:
            view.state = "stopping"
            view.coast()

    def _finding(self, fields: dict[str, Any]) -> None:
        self._note(str(fields["level"]), str(fields["headline"]), str(fields.get("help") or ""))

    def _link(self, fields: dict[str, Any]) -> None:
        if fields.get("what"):
            self._note("note", str(fields["what"]))

    def _note(self, level: str, headline: str, help: str = "") -> None:
        self.found += 1
        self.findings.append(Finding(self.t_ns, level, headline, help))

    def _operator(self, fields: dict[str, Any]) -> None:
        what, text = fields["what"], str(fields.get("text") or "")
        if what == "asked":
            self.question, self.answer = text, ""
        elif what == "answer":
            said = text.strip().casefold()
            if said and (said in ("yes", "no") or self.question.casefold().endswith(said)):
                self.question = self.answer = ""
            else:
                self.answer = text
        else:
            self._note("operator", f"{what}: {text}" if text else str(what))

    def _lost(self, fields: dict[str, Any]) -> None:
        self.lost += 1
        self._lost_ns.append(self.t_ns)

    def _late(self, fields: dict[str, Any]) -> None:
        self.late += 1

    def _traffic(self, fields: dict[str, Any]) -> None:
        load = fields["load"]
        self.load = float(load) if isinstance(load, int | float) else None

    def _end(self, fields: dict[str, Any]) -> None:
        self.outcome, self.exit = str(fields["outcome"]), int(fields["exit"])
        self.step = None

    def _state(self, name: object, state: str) -> None:
        view = self.axis(name)
        if view is not None:
            view.state = state

    def _all(self, before: str, after: str) -> None:
        for view in self.axes:
            if view.state == before:
                view.state = after


def _axis(axis: dict[str, Any], limits: dict[str, Any]) -> AxisView:
    low, high = limits.get("travel") or (None, None)
    scale = float(fraction(axis["counts_per_unit"]))
    if not scale:
        raise ValueError("an axis has no counts per unit")
    return AxisView(
        str(axis["name"]),
        str(axis["unit"]),
        scale,
        _number(low),
        _number(high),
        _number(limits.get("tracking")),
        _number(limits.get("speed")),
        int(axis.get("lag_ns", 0)),
    )


def _number(text: str | None) -> float | None:
    return None if text is None else float(fraction(text))


#: A question has been answered when one of these follows.
_GOES_ON = frozenset(("step_begin", "step_end", "command", "trigger", "stopping", "end"))

_HANDLERS: dict[str, Callable[[Progress, dict[str, Any]], None]] = {
    "run": Progress._run,
    "step_begin": Progress._step_begin,
    "step_end": Progress._step_end,
    "command": Progress._command,
    "move": Progress._move,
    "homed": Progress._homed,
    "settled": Progress._settled,
    "until": Progress._until,
    "at_rest": Progress._at_rest,
    "unproven": Progress._unproven,
    "stopping": Progress._stopping,
    "finding": Progress._finding,
    "link": Progress._link,
    "operator": Progress._operator,
    "lost": Progress._lost,
    "late": Progress._late,
    "traffic": Progress._traffic,
    "end": Progress._end,
}
