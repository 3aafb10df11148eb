"""The simulated machine: drives on the bus, the bodies behind them, and what went wrong with either."""

from pathlib import Path
from typing import TYPE_CHECKING

from choreo.errors import RecipeError
from choreo.link.port import SimulationRequest
from choreo_sim.beam import Beam
from choreo_sim.bus import Bus
from choreo_sim.dialect_reader import SHIPPED, DriveDialect, read_dialect
from choreo_sim.faults import FaultSet, Fired, read_faults
from choreo_sim.kernel import Kernel
from choreo_sim.machine_file import MachineTruth, find_machine, read_machine
from choreo_sim.mechanics import Mechanics
from choreo_sim.nominal import nominal_machine
from choreo_sim.short_frame_drive import ShortFrameDrive
from choreo_sim.truth import AxisTruth, Damage

if TYPE_CHECKING:
    from choreo_sim.link import SimulatedLink


class Machine:
    """
    What is true of a simulated machine while it runs, for tests and reports; a session never sees it.

    `damage` is what broke, `fired` which scripted faults have acted, each with its time.
    """

    def __init__(self, kernel: Kernel, request: SimulationRequest, truth: MachineTruth) -> None:
        self.request = request
        self.truth = truth
        self.damage: list[Damage] = []
        self.fired: list[Fired] = []
        self.axes: dict[str, Mechanics] = {}
        self.drives: dict[str, ShortFrameDrive] = {}
        self.beams: dict[str, Beam] = {}
        self.faults: FaultSet | None = None
        self._kernel = kernel

    def position(self, axis: str, t_ns: int | None = None) -> float:
        """Where an axis truly is, in its unit; now, or at a time since its motion last changed."""
        return self.axes[axis].position(self._kernel.now_ns if t_ns is None else t_ns)

    def skew(self, beam: str, t_ns: int | None = None) -> float:
        """How far the first side of a beam is truly ahead of the second, in the axes' unit."""
        return self.beams[beam].skew(self._kernel.now_ns if t_ns is None else t_ns)

    def on_link(self, link: "SimulatedLink") -> None:
        """The host's link is there: faults of the adapter can be put into it."""
        if self.faults is not None:
            self.faults.on_link(link)


def build(kernel: Kernel, bus: Bus, request: SimulationRequest) -> Machine:
    """
    The machine that a request asks for, attached to the bus: the truth that it names, or one derived from its axes.

    RecipeError for a machine, dialect or fault file that cannot be used.
    """
    truth = nominal_machine(request) if request.machine is None else read_machine(find_machine(request.machine))
    machine = Machine(kernel, request, truth)
    for axis in truth.axes:
        mechanics = Mechanics(kernel, axis, machine.damage, request.seed)
        machine.axes[axis.name] = mechanics
        machine.drives[axis.name] = ShortFrameDrive(kernel, bus, _dialect(axis, request), mechanics, request.seed)
    for beam in truth.beams:
        sides = (machine.axes[beam.sides[0]], machine.axes[beam.sides[1]])
        machine.beams[beam.name] = Beam(kernel, beam, sides, machine.damage)
    if request.faults is not None:
        machine.faults = read_faults(request.faults, kernel, bus, machine.drives, machine.fired)
    return machine


def _dialect(axis: AxisTruth, request: SimulationRequest) -> DriveDialect:
    """The dialect file that the recipe uses for it, or the one that ships."""
    for wanted in request.axes:
        if wanted.dialect == axis.dialect:
            return read_dialect(Path(wanted.dialect_file))
    shipped = SHIPPED / f"{axis.dialect}.yaml"
    if not shipped.exists():
        raise RecipeError(f"no simulated drive speaks the dialect {axis.dialect!r}", rule="simulated-machine")
    return read_dialect(shipped)
