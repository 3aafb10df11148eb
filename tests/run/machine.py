"""Runs of the shipped machine on the simulated bus, with everything that was on the wire, for tests of whole runs."""

import json
from dataclasses import dataclass
from fractions import Fraction
from functools import cache
from io import StringIO
from pathlib import Path
from typing import Any

from choreo.api import simulation_request
from choreo.frame import Frame
from choreo.journal.writer import JournalWriter
from choreo.link.simulated import open_simulated
from choreo.plan.model import Plan
from choreo.plan.resolve import resolve
from choreo.recipe.load import load
from choreo.run.executor import Outcome, execute, says_yes
from choreo.wire.words import MOTION, FrameClass

RECIPES = Path(__file__).parents[2] / "recipes"
GANTRY = RECIPES / "kiln_gantry"
DEMO = GANTRY / "home_and_test.yaml"


@cache
def plan_of(recipe: Path, pace: Fraction = Fraction(1)) -> Plan:
    plan, findings = resolve(load(recipe, {}), pace)
    assert plan is not None, findings
    return plan


@dataclass(frozen=True)
class Done:
    """A run that is over. `sent` is what the host put on the wire, in order, with the time of its last bit."""

    plan: Plan
    outcome: Outcome
    journal: str
    sent: list[tuple[int, Frame]]
    link: Any

    def records(self, kind: str) -> list[dict[str, Any]]:
        found = [json.loads(line) for line in self.journal.splitlines() if line.startswith("{")]
        return [record for record in found if record["k"] == kind]

    def classes(self) -> list[tuple[int, FrameClass, int | None]]:
        """Time, class and node of each frame of the host's."""
        (dialect,) = self.plan.dialects.values()
        decoded = ((t_ns, dialect.decode(frame)) for t_ns, frame in self.sent)
        return [(t_ns, found.frame_class, found.node) for t_ns, found in decoded if found is not None]


class Rehearsal:
    """A machine made ready: `link` may be given faults and events before `go`."""

    def __init__(
        self, recipe: Path = DEMO, *, seed: int = 0, faults: Path | None = None, pace: Fraction = Fraction(1)
    ) -> None:
        self.plan = plan_of(recipe, pace)
        request = simulation_request(self.plan, seed=seed, faults=faults)
        self.link: Any = open_simulated(request)
        self.sent: list[tuple[int, Frame]] = []
        self.link.bus.taps.append(self._tap)
        self.seed = seed

    def _tap(self, frame: Frame, t_ns: int, sender: str) -> None:
        if sender == "host":
            self.sent.append((t_ns, frame))

    def go(self) -> Done:
        text = StringIO()
        outcome = execute(self.plan, self.link, JournalWriter(None, text), seed=self.seed, operator=says_yes)
        return Done(self.plan, outcome, text.getvalue(), self.sent, self.link)


def assert_ended_safely(done: Done) -> None:
    """
    What every run that did not succeed owes: a stop to every node, nothing that moves an axis after the last stop, each
    axis proved to stand or declared unproven, and truly standing where it was said to (practice.md P13 to P17).
    """
    classes = done.classes()
    stops = [(t_ns, node) for t_ns, kind, node in classes if kind is FrameClass.STOPS]
    if None not in {node for _, node in stops}:  # a single node is stopped in homing too
        _assert_nothing_could_leave(done)
    else:
        assert {axis.node for axis in done.plan.axes} <= {node for _, node in stops}, "a node was not told to stop"
        last = max(t_ns for t_ns, _ in stops)
        after = [kind for t_ns, kind, _ in classes if t_ns > last and kind in MOTION]
        assert not after, f"{after} after the last stop"
    ends = done.records("at_rest") + done.records("unproven")
    assert sorted(record["axis"] for record in ends) == sorted(axis.name for axis in done.plan.axes)
    assert all(record["next"] for record in ends)
    for record in done.records("at_rest"):
        assert_truly_stands(done, record["axis"])
    assert done.records("end")[-1]["exit"] == int(done.outcome.exit)


def _assert_nothing_could_leave(done: Done) -> None:
    """No stop was on the wire: the bus was dead, by the simulator's truth, a stop was tried, and nothing is proven."""
    link = done.link
    alone = not any(drive.controller.online for drive in link.machine.drives.values())
    adapter_gone = any(record["rule"] == "adapter-lost" for record in done.records("finding"))
    assert adapter_gone or alone or not link.host.online or link.unsent(), "no stop was sent on a bus that works"
    told = {record["axis"] for record in done.records("command") if "stop" in record["verb"]}
    assert told >= {axis.name for axis in done.plan.axes} | {None}, "a stop was not even tried"
    assert not done.records("at_rest"), "nobody can have seen an axis stand"


def assert_truly_stands(done: Done, axis: str) -> None:
    """By the machine's truth, not by its encoder."""
    machine, now = done.link.machine, done.link.now_ns()
    before = machine.position(axis)
    done.link.kernel.run_until(now + 200_000_000, [], [])
    assert abs(machine.position(axis) - before) < 0.05, f"{axis} still moves"
