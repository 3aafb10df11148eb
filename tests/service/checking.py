"""A link check of a simulated machine, with everything that was on the wire beside it."""

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from choreo.api import machine_plan, simulation_request
from choreo.frame import Frame
from choreo.link.port import Link, SimulatedAxis, SimulationRequest
from choreo.link.simulated import open_simulated, run_by_hand
from choreo.plan.model import Plan
from choreo.service.link_check import Progress, Wanted, check_link
from choreo.service.link_figures import LinkReport, NodeFigures
from choreo.service.link_verdict import Verdict, judge

ROOT = Path(__file__).parents[2]
SLIDES = ROOT / "tests" / "live" / "two_slides.yaml"  # near_slide has node 3, far_slide node 9
GANTRY = ROOT / "recipes" / "kiln_gantry" / "machine.yaml"
SECOND = 1_000_000_000

Silent = Callable[[Progress], None]


@dataclass
class Checked:
    """One that is over. `wire` is what was on the bus: when a frame ended, the frame, who sent it."""

    report: LinkReport
    link: Any
    wire: list[tuple[int, Frame, str]] = field(default_factory=list)

    @property
    def verdict(self) -> Verdict:
        return judge(self.report)

    def node(self, axis: str) -> NodeFigures:
        (found,) = (node for node in self.report.nodes if node.axis == axis)
        return found

    def sent(self) -> list[tuple[int, Frame]]:
        return [(t_ns, frame) for t_ns, frame, sender in self.wire if sender == "host"]

    def acted(self) -> int:
        """How many faults of the file have acted, by the simulator's own account."""
        return len(self.link.truth().faults)


def machine(path: Path = SLIDES) -> tuple[Plan, SimulationRequest]:
    plan = machine_plan(path)
    return plan, simulation_request(plan)


def with_axes(request: SimulationRequest, *more: SimulatedAxis) -> SimulationRequest:
    return replace(request, axes=(*request.axes, *more))


def run(
    wanted: Wanted | None = None,
    *,
    path: Path = SLIDES,
    request: SimulationRequest | None = None,
    before: Callable[[Any], None] = lambda link: None,
    watch: Callable[[Any, Progress], None] = lambda link, progress: None,
) -> Checked:
    """Check the link to a machine; `before` gets the link first, `watch` with each progress."""
    plan, usual = machine(path)
    link: Any = open_simulated(request or usual)
    wire: list[tuple[int, Frame, str]] = []
    link.bus.taps.append(lambda frame, t_ns, sender: wire.append((t_ns, frame, sender)))
    before(link)
    as_link: Link = link
    report = run_by_hand(check_link(plan, as_link, wanted, lambda progress: watch(link, progress)))
    return Checked(report, link, wire)


def faulty(folder: Path, *entries: str, path: Path = SLIDES) -> SimulationRequest:
    """The machine with these faults."""
    file = folder / "faults.yaml"
    file.write_text("title: Of a link check\nfaults:\n" + "".join(f"  - {{{entry}}}\n" for entry in entries))
    return replace(machine(path)[1], faults=file)
