"""
Every kind of fault at every step of a plan: the fault files of a table, or the reason why a cell of it is empty.

    matrix = Matrix(read_machine(find_machine("kiln_gantry")), [Step("5", "move", ("lift",)), ...])
    matrix.entries("stalled_axis", "5", "lift")        # the text of a fault file, or None
    matrix.why_not("brake_slips", "5", "carriage")     # "carriage has no brake"
"""

from collections.abc import Iterator, Sequence
from typing import NamedTuple

from choreo_sim.fault_node_text import scalar
from choreo_sim.fault_samples import OF_ALL, OF_AXIS, Subject, sample
from choreo_sim.machine_file import MachineTruth

#: Every kind that a table of all faults has.
KINDS = (*OF_AXIS, *OF_ALL)

_STARTS = frozenset({"trigger", "move", "move_until", "home"})
_MOVES = _STARTS | {"wait_for_position"}
#: Which verbs a fault must meet to do anything at its moment; a fault that stands nowhere here may come at any step.
MEETS: dict[str, frozenset[str]] = {
    **dict.fromkeys(("load_lost", "wrong_direction", "load_doubled", "load_slow", "trigger_delayed"), _STARTS),
    "trigger_stuck": _STARTS,
    "load_lost_early": _STARTS - {"trigger"} | {"preload"},
    **dict.fromkeys(("runaway", "runaway_after_stop"), _MOVES),
    **dict.fromkeys(("home_switch_stuck", "home_switch_missing", "home_switch_bounces"), frozenset({"home"})),
    **dict.fromkeys(("brake_sags", "brake_stuck"), frozenset({"enable"})),
    "brake_slips": frozenset({"enable", "disable"}),
}
#: Only an axis under power does these.
POWERED = frozenset({"moves_unasked", "runaway", "runaway_after_stop"})

#: These need a stop, so they come with one of another host's.
NEEDS_STOP = frozenset({"runaway_after_stop"})


class Step(NamedTuple):
    """A step as a table knows it: `axes` are those that it moves, powers, loads or waits for."""

    path: str
    verb: str
    axes: tuple[str, ...]


class Matrix:
    """The table for one machine and one sequence of steps, closing steps included."""

    def __init__(self, truth: MachineTruth, steps: Sequence[Step]) -> None:
        wired = {axis.name: [one.bit for one in truth.inputs if one.axis == axis.name] for axis in truth.axes}
        self._subjects = {axis.name: Subject.of(axis, wired[axis.name]) for axis in truth.axes}
        self._steps = {step.path: step for step in steps}
        self._powered = dict(_powered(steps))

    def entries(self, kind: str, step_path: str, axis: str | None, after: str = "0 ms") -> str | None:
        """
        A fault file with this fault, `after` so long from where the step begins; None where it makes no sense. `axis`
        is None for a kind of the bus or of the adapter (`OF_ALL`). KeyError for a kind, step or axis that is not known.
        """
        if self.why_not(kind, step_path, axis):
            return None
        subject = self._subjects[axis] if axis is not None else next(iter(self._subjects.values()))
        moment = {"step": scalar(step_path), "after": after}
        entries = [sample(kind, subject, moment)]
        if kind in NEEDS_STOP:
            entries.append(sample("foreign_stop", subject, moment))
        where = f" on {axis}" if axis is not None else ""
        lines = "".join(f"  - {entry}\n" for entry in entries)
        return f"title: {kind}{where} at step {step_path}\nfaults:\n{lines}"

    def why_not(self, kind: str, step_path: str, axis: str | None) -> str:
        """Why this cell is empty; "" where it is not."""
        step = self._steps[step_path]
        if kind in OF_ALL:
            if axis is not None:
                return f"{kind} is of no single axis"
        elif axis is None:
            return f"{kind} is of one axis"
        elif kind not in OF_AXIS:
            raise KeyError(kind)
        elif why := self._subjects[axis].can(kind):
            return why
        elif (kind in MEETS or kind in POWERED) and axis not in step.axes:
            return f"step {step_path} has nothing to do with {axis}"
        elif kind in POWERED and axis not in self._powered[step_path]:
            return f"{axis} has no power at step {step_path}"
        if kind in MEETS and step.verb not in MEETS[kind]:
            return f"{step.verb} does nothing that {kind} could meet"
        return ""

    def cells(self) -> Iterator[tuple[str, str, str | None]]:
        """Kind, step and axis of every cell that is not empty, in the order of the steps."""
        for path in self._steps:
            for kind in KINDS:
                for axis in (None,) if kind in OF_ALL else tuple(self._subjects):
                    if not self.why_not(kind, path, axis):
                        yield kind, path, axis


def _powered(steps: Sequence[Step]) -> Iterator[tuple[str, frozenset[str]]]:
    """Which axes are under power when each step begins."""
    powered: frozenset[str] = frozenset()
    for step in steps:
        yield step.path, powered
        if step.verb == "enable":
            powered |= frozenset(step.axes)
        elif step.verb == "disable":
            powered -= frozenset(step.axes)
