"""
Many runs that differ from one step on only: the run is made once up to that step, and branches there.

At the step's beginning the process forks for each cell; the child gets its fault, goes on to the end and tells what
became of it, the parent tries the next cell. What comes of a branch is what would come of a run with the same fault
file from the start (`test_faults.py` compares them), at a fraction of the time.
"""

import os
import pickle
import tempfile
import traceback
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, TypeVar

from choreo.link.port import Interrupt
from choreo.plan.model import Plan
from choreo.trial.crew import Broke
from choreo_sim.fault_entry import Workshop
from choreo_sim.faults import FaultFile

from .cells import Cell, Facts, observed, open_of

T = TypeVar("T")


def branches(plan: Plan, cells: Sequence[Cell], seed: int = 0) -> list[Facts | Broke]:
    """What becomes of each cell; all of them must be of one step."""
    assert len({cell.path for cell in cells}) == 1
    return in_a_fork(lambda: _Trunk(plan, cells, seed).grow())


def in_a_fork(work: Callable[[], T]) -> T:
    """Do it in a copy of this process, which leaves nothing behind but what it returns."""
    reader, writer = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(reader)
        _tell(writer, work)
    os.close(writer)
    return _told(reader, child)


class _Trunk:
    """The run that is common to all, in a process of its own."""

    def __init__(self, plan: Plan, cells: Sequence[Cell], seed: int) -> None:
        self.plan = plan
        self.cells = cells
        self.seed = seed
        self.found: list[Facts | Broke] = []
        self.branch: int | None = None  # in a branch: where it tells what became of it

    def grow(self) -> list[Facts | Broke]:
        with open_of(self.plan, seed=self.seed) as link:
            self._step_begins = link.step_begins
            link.step_begins = lambda path, label, verb: self._at(link, path, label, verb)
            facts = observed(self.plan, link, self.seed)
            if self.branch is not None:
                _tell(self.branch, lambda: facts)
        return self.found

    def _at(self, link: Any, path: str, label: str, verb: str) -> None:
        if self.branch is None and path == self.cells[0].path:
            for cell in self.cells:
                reader, writer = os.pipe()
                child = os.fork()
                if child == 0:
                    os.close(reader)
                    self.branch = writer
                    self._put(link, cell)
                    break
                os.close(writer)
                self.found.append(_told(reader, child))
            else:  # what the trunk would still do is of no use
                link.post(Interrupt("every branch has come to its end"))
        self._step_begins(path, label, verb)

    def _put(self, link: Any, cell: Cell) -> None:
        """The fault, as if it had been there from the start: it waits for this step."""
        machine = link.machine
        with tempfile.TemporaryDirectory() as folder:
            file = Path(folder) / "faults.yaml"
            file.write_text(cell.text, encoding="utf-8")
            script = FaultFile(file, self.seed)
        shop = Workshop(link.kernel, link.bus, machine.drives, machine.fired, machine.steps, self.seed)
        machine.faults = script.put(shop)
        machine.on_link(link)


def _tell(writer: int, work: Callable[[], object]) -> None:
    """The end of a child: what its work returned, or how it broke, and nothing else of this process."""
    try:
        result = work()
    except BaseException as bug:  # noqa: BLE001  nothing of a child may reach whoever runs the campaign
        result = Broke(f"{type(bug).__name__}: {bug}", traceback.format_exc())
    try:
        with os.fdopen(writer, "wb") as pipe:
            pickle.dump(result, pipe)
    finally:
        os._exit(0)


def _told(reader: int, child: int) -> Any:
    with os.fdopen(reader, "rb") as pipe:
        data = pipe.read()
    _, status = os.waitpid(child, 0)
    return pickle.loads(data) if data else Broke(f"a branch ended with status {status}", "")
