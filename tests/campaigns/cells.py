"""
The cells of the table of all faults: one kind at one step of a plan, on one axis. Each is one run.

A fault comes when its step begins, or, where the step takes time, when a good third of it has passed.
"""

import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from choreo.api import simulation_request
from choreo.link.simulated import open_simulated
from choreo.plan import model
from choreo.plan.model import Plan, StepPlan
from choreo.trial.ending import Ending
from choreo.trial.rehearsal import Performed, ending_of, perform
from choreo.wire.words import MOTION, FrameClass
from choreo_sim.fault_matrix import Matrix, Step
from choreo_sim.machine_file import find_machine, read_machine
from tests.listener.listener import Listener
from tests.run.machine import DEMO, plan_of

#: Of a step that takes longer than this the middle is tried as well as the beginning.
LONG_NS = 100_000_000
#: How much of the step has passed in the middle: the axes are fast, and have a good way to go.
PART = 0.4


@dataclass(frozen=True, slots=True)
class Cell:
    """One run to come: `index` is the step's, `after_ns` counts from its beginning; `text` is the fault file."""

    kind: str
    path: str
    index: int
    axis: str | None
    after_ns: int
    text: str

    def __str__(self) -> str:
        on = f" on {self.axis}" if self.axis is not None else ""
        return f"{self.kind}{on} at step {self.path} + {self.after_ns / 1e6:g} ms"


@dataclass(frozen=True, slots=True)
class Facts:
    """What became of a cell, as plain data; times in ns of the run, None where there is nothing to tell."""

    ending: Ending
    acted: tuple[tuple[int, str, str], ...]  # when, which kind of fault, what it did
    acted_in: str | None  # path of the step under way when the fault first acted
    step_at_stop: str | None  # path of the step under way when the stop began
    first_stop_ns: int | None  # the first stop frame on the bus after the fault
    all_told: bool  # every node was told to stop, one by one and by broadcast
    after_the_last_stop: tuple[str, ...]  # frames of the host's that move or could move something
    next_actions: dict[str, str]
    findings: tuple[tuple[str, str | None], ...]  # rule and axis
    violations: tuple[str, ...]
    starts: int  # start frames on the bus
    triggers: int  # start triggers in the journal
    positions: dict[str, float]  # where each axis truly is in the end, in its unit

    @property
    def reaction_ns(self) -> int | None:
        """From the fault to the first stop frame."""
        return None if not self.acted or self.first_stop_ns is None else self.first_stop_ns - self.acted[0][0]


def axes_of(plan: Plan, step: StepPlan) -> tuple[str, ...]:
    """The axes that a step moves, powers, loads or waits for."""
    match step.action:
        case model.Move(groups):
            found = [move.axis for group in groups for move in group]
        case model.Preload(moves) | model.Trigger(moves):
            found = [move.axis for move in moves]
        case model.Enable(axes) | model.Disable(axes) | model.Home(axes) | model.WaitForPosition(axes):
            found = list(axes)
        case _:
            found = []
    return tuple(plan.axes[index].name for index in found)


def steps_of(plan: Plan) -> list[StepPlan]:
    return [*plan.steps, *plan.closing]


def cells_of(plan: Plan, taken_ns: dict[str, int]) -> Iterator[Cell]:
    """
    Every cell of the table, in the order of the steps; `taken_ns` is what each step takes when nothing goes wrong.
    """
    assert plan.simulated is not None
    steps = steps_of(plan)
    truth = read_machine(find_machine(plan.simulated))
    matrix = Matrix(truth, [Step(step.path, step.verb, axes_of(plan, step)) for step in steps])
    index = {step.path: place for place, step in enumerate(steps)}
    for kind, path, axis in matrix.cells():
        moments = [0]
        if taken_ns[path] > LONG_NS:
            moments.append(int(taken_ns[path] * PART) // 1_000_000 * 1_000_000)
        for after_ns in moments:
            text = matrix.entries(kind, path, axis, f"{after_ns // 1_000_000} ms")
            assert text is not None
            yield Cell(kind, path, index[path], axis, after_ns, text)


@cache
def demo_cells() -> tuple[Cell, ...]:
    """Those of the demonstration."""
    plan = plan_of(DEMO)
    with open_of(plan) as link:
        done = perform(plan, link, 0)
    assert done.outcome.exit == 0, done.outcome.headline
    taken = {step.path: step.taken_ns for step in ending_of(plan, 0, done).steps}
    return tuple(cells_of(plan, taken))


class open_of:
    """A link for a plan, closed at the end."""

    def __init__(self, plan: Plan, faults: Path | None = None, seed: int = 0) -> None:
        self.link = open_simulated(simulation_request(plan, seed=seed, faults=faults))

    def __enter__(self):
        return self.link

    def __exit__(self, *_: object) -> None:
        self.link.close()


def facts_of(plan: Plan, cell: Cell, seed: int = 0) -> Facts:
    """Run one cell."""
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "faults.yaml"
        file.write_text(cell.text, encoding="utf-8")
        with open_of(plan, file, seed) as link:
            return observed(plan, link, seed)


def observed(plan: Plan, link, seed: int, machine_file: Path | None = None) -> Facts:
    """Run a plan on a link, with an eye on the bus; the listener reads the limits from the machine's file by itself."""
    listener = Listener(link, machine_file)
    sent: list[tuple[int, str, int | None]] = []
    dialects = list(plan.dialects.values())
    known: dict[tuple[int, bytes], tuple[str, int | None] | None] = {}  # polls are many and alike

    def tap(frame, t_ns: int, sender: str) -> None:
        if sender == "host":
            key = (frame.id, frame.data)
            if key not in known:
                known[key] = _class_of(dialects, frame)
            found = known[key]
            if found is not None:
                sent.append((t_ns, *found))

    link.bus.taps.append(tap)
    done = perform(plan, link, seed)
    return _facts(plan, done, seed, sent, listener)


def _class_of(dialects, frame) -> tuple[str, int | None] | None:
    """Class and node of a frame of the host's that is more than a question."""
    decoded = next((found for dialect in dialects if (found := dialect.decode(frame)) is not None), None)
    if decoded is None or decoded.frame_class is FrameClass.NEUTRAL:
        return None
    return decoded.frame_class, decoded.node


def _facts(plan: Plan, done: Performed, seed: int, sent, listener: Listener) -> Facts:
    assert done.truths is not None
    acted = tuple((happened.t_ns, happened.kind, happened.what) for happened in done.truths[-1].faults)
    stops = [(t_ns, node) for t_ns, kind, node in sent if kind is FrameClass.STOPS]
    since = acted[0][0] if acted else 0
    stopping = next(done.journal.of("stopping"), None)
    began = None if stopping is None else stopping.t_ns
    last = None if began is None else max([began, *(t_ns for t_ns, _ in stops)])
    paths = {step.id: step.path for step in done.journal.steps}
    begun = [(record.t_ns, paths[record.fields["step"]]) for record in done.journal.of("step_begin")]

    def step_at(moment_ns: int | None) -> str | None:
        return next((path for t_ns, path in reversed(begun) if moment_ns is not None and t_ns <= moment_ns), None)

    left = [record for kind in ("at_rest", "unproven") for record in done.journal.of(kind)]
    return Facts(
        ending=ending_of(plan, seed, done),
        acted=acted,
        acted_in=step_at(acted[0][0]) if acted else None,
        step_at_stop=step_at(began),
        first_stop_ns=next((t_ns for t_ns, _ in stops if t_ns >= since), None) if stopping else None,
        all_told=None in {node for _, node in stops}
        and {axis.node for axis in plan.axes} <= {node for _, node in stops},
        after_the_last_stop=()
        if last is None
        else tuple(str(kind) for t_ns, kind, _ in sent if t_ns > last and kind in MOTION),
        next_actions={record.fields["axis"]: record.fields["next"] for record in left},
        findings=tuple((found.fields["rule"], found.fields.get("axis")) for found in done.journal.of("finding")),
        violations=tuple(str(violation) for violation in listener.violations()),
        starts=sum(kind is FrameClass.STARTS for _, kind, _ in sent),
        triggers=sum(1 for _ in done.journal.of("trigger")),
        positions={axis.name: done.truths[-1].positions[axis.node] for axis in plan.axes},
    )
