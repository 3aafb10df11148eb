"""How far a run has come, gathered from its journal as it is written: what the screen shows."""

from dataclasses import dataclass, field
from typing import Any

from choreo.journal import fraction


@dataclass(slots=True)
class AxisView:
    """
    One axis. Positions in its unit, from the machine's zero once it is homed, before that from where it was found.
    `state` is a word: waiting, moving, there, at rest, NOT PROVEN.
    """

    name: str
    unit: str
    scale: float
    low: float | None
    high: float | None
    zero: int | None = None
    counts: int | None = None
    homed: bool = False
    target: float | None = None
    state: str = "waiting"

    @property
    def position(self) -> float | None:
        """None until it was read once."""
        if self.counts is None or self.zero is None:
            return None
        return (self.counts - self.zero) / self.scale

    @property
    def place(self) -> float | None:
        """Where it stands within its travel, 0 to 1; None before it is homed."""
        if not self.homed or self.position is None or self.low is None or self.high is None:
            return None
        return min(1.0, max(0.0, (self.position - self.low) / (self.high - self.low)))


@dataclass(slots=True)
class StepView:
    """One step, as planned."""

    path: str
    verb: str
    label: str
    predicted_ns: int


@dataclass(slots=True)
class Progress:
    """See the module. Feed it every record and, for positions, every sample."""

    title: str = ""
    machine: str = ""
    mode: str = ""
    seed: int | None = None
    pace: str = "1"
    axes: list[AxisView] = field(default_factory=list)
    steps: dict[int, StepView] = field(default_factory=dict)
    predicted_ns: int = 0
    t_ns: int = 0
    step: int | None = None
    step_began_ns: int = 0
    done: int = 0
    done_ns: int = 0  # what the steps that have ended were predicted to take
    stopping: str = ""

    def record(self, kind: str, t_ns: int, fields: dict[str, Any]) -> None:
        """Take a record."""
        self.t_ns = t_ns
        handler = _HANDLERS.get(kind)
        if handler is not None:
            handler(self, fields)

    def sample(self, t_ns: int, axis: int, counts: int, age_us: int) -> None:
        """Take a position reading."""
        self.t_ns = t_ns
        view = self.axes[axis]
        view.counts = counts
        if view.zero is None:
            view.zero = counts

    @property
    def share(self) -> float:
        """How much of the predicted time is behind, 0 to 1; a step that takes longer than predicted stands still."""
        current = 0 if self.step is None else min(self.t_ns - self.step_began_ns, self.steps[self.step].predicted_ns)
        return (self.done_ns + current) / self.predicted_ns if self.predicted_ns else 0.0

    def axis(self, name: str) -> AxisView | None:
        """The axis of that name; None for none."""
        return next((view for view in self.axes if view.name == name), None)

    def _run(self, fields: dict[str, Any]) -> None:
        self.title, self.machine, self.mode = fields["title"], fields["machine"], fields["mode"]
        self.seed, self.pace = fields["seed"], fields["pace"]
        for axis in fields["axes"]:
            low, high = fields["limits"].get(axis["name"], {}).get("travel", (None, None))
            self.axes.append(
                AxisView(
                    axis["name"],
                    axis["unit"],
                    float(fraction(axis["counts_per_unit"])),
                    None if low is None else float(fraction(low)),
                    None if high is None else float(fraction(high)),
                )
            )
        for step in fields["steps"]:
            self.steps[step["id"]] = StepView(step["path"], step["verb"], step["label"] or "", step["predicted_ns"])
        self.predicted_ns = sum(step.predicted_ns for step in self.steps.values())

    def _step_begin(self, fields: dict[str, Any]) -> None:
        self.step, self.step_began_ns = fields["step"], self.t_ns

    def _step_end(self, fields: dict[str, Any]) -> None:
        self.step = None
        self.done += 1
        self.done_ns += self.steps[fields["step"]].predicted_ns

    def _move(self, fields: dict[str, Any]) -> None:
        view = self.axis(fields["axis"])
        if view is not None:
            view.zero = fields["anchor_counts"] or 0
            view.target = (fields["target_counts"] - view.zero) / view.scale
            view.state = "moving"

    def _homed(self, fields: dict[str, Any]) -> None:
        view = self.axis(fields["axis"])
        if view is not None:
            view.zero, view.homed, view.target = 0, True, None

    def _settled(self, fields: dict[str, Any]) -> None:
        self._state(fields["axis"], "there")

    def _at_rest(self, fields: dict[str, Any]) -> None:
        self._state(fields["axis"], "at rest")

    def _unproven(self, fields: dict[str, Any]) -> None:
        self._state(fields["axis"], "NOT PROVEN")

    def _stopping(self, fields: dict[str, Any]) -> None:
        self.stopping = fields["cause"]
        for view in self.axes:
            view.state, view.target = "stopping", None

    def _state(self, name: str, state: str) -> None:
        view = self.axis(name)
        if view is not None:
            view.state = state


_HANDLERS = {
    "run": Progress._run,
    "step_begin": Progress._step_begin,
    "step_end": Progress._step_end,
    "move": Progress._move,
    "homed": Progress._homed,
    "settled": Progress._settled,
    "at_rest": Progress._at_rest,
    "unproven": Progress._unproven,
    "stopping": Progress._stopping,
}
