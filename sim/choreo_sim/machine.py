"""The simulated machine: drives on the bus, the bodies behind them, and what went wrong with either."""

from pathlib import Path

from choreo.errors import RecipeError
from choreo.link.port import Happened, Script, SimulationRequest, Truth
from choreo_sim.as_left import begin_as_left
from choreo_sim.beam import Beam
from choreo_sim.bus import Bus
from choreo_sim.dialect_reader import SHIPPED, DriveDialect, read_dialect
from choreo_sim.fault_entry import Workshop
from choreo_sim.fault_pin import Steps
from choreo_sim.fault_set import HostAdapter
from choreo_sim.faults import FaultFile, FaultSet, Fired
from choreo_sim.inputs import Cues, Wiring
from choreo_sim.kernel import Kernel
from choreo_sim.machine_file import MachineTruth, find_machine, read_machine
from choreo_sim.mechanics import Mechanics
from choreo_sim.nominal import nominal_machine
from choreo_sim.short_frame_drive import ShortFrameDrive
from choreo_sim.told import Told
from choreo_sim.truth import AxisTruth, Damage
from choreo_sim.witness import SkewWitness


class Machine:
    """
    What is true of a simulated machine while it runs, for tests and reports; a session never sees it.

    `damage` is what broke, `fired` which scripted faults have acted, each with its time.
    """

    def __init__(self, kernel: Kernel, request: SimulationRequest, truth: MachineTruth) -> None:
        self.request = request
        self.truth = truth
        self.damage: Told[Damage] = Told()
        self.fired: Told[Fired] = Told()
        self.axes: dict[str, Mechanics] = {}
        self.drives: dict[str, ShortFrameDrive] = {}
        self.beams: dict[str, Beam] = {}
        self.faults: FaultSet | None = None
        self.steps = Steps(kernel)
        self.cues: Cues | None = None
        self._kernel = kernel
        self._witnesses: dict[str, SkewWitness] = {}

    def position(self, axis: str, t_ns: int | None = None) -> float:
        """Where an axis truly is, in its unit; now, or at a time since its motion last changed."""
        return self.axes[axis].position(self._kernel.now_ns if t_ns is None else t_ns)

    def skew(self, beam: str, t_ns: int | None = None) -> float:
        """How far the first side of a beam is truly ahead of the second, in the axes' unit."""
        return self.beams[beam].skew(self._kernel.now_ns if t_ns is None else t_ns)

    def truth_now(self) -> Truth:
        """Everything that is true now, as plain data; see the port. Skews are watched from the first call on."""
        if not self._witnesses:
            self._witnesses = {name: SkewWitness(self._kernel, beam) for name, beam in self.beams.items()}
        nodes = {name: mechanics.truth.node for name, mechanics in self.axes.items()}
        sides = {name: (nodes[beam.truth.sides[0]], nodes[beam.truth.sides[1]]) for name, beam in self.beams.items()}
        return Truth(
            t_ns=self._kernel.now_ns,
            positions={nodes[name]: self.position(name) for name in self.axes},
            skews={sides[name]: witness.most() for name, witness in self._witnesses.items()},
            damage=tuple(Happened(damage.t_ns, damage.what) for damage in self.damage),
            faults=tuple(Happened(fired.t_ns, fired.what, fired.kind, fired.axis) for fired in self.fired),
        )

    def step_begins(self, path: str, label: str, verb: str) -> None:
        """A step of the recipe begins now; see the port."""
        self.steps.begins(path, label, verb)
        if self.cues is not None:
            self.cues.begins(path)

    def on_link(self, link: HostAdapter) -> None:
        """The host's link is there: faults of the adapter can be put into it."""
        if self.faults is not None:
            self.faults.on_link(link)

    def script(self) -> Script | None:
        """What became of the fault file; see the port. None without one."""
        if self.faults is None:
            return None
        acted = tuple(Happened(fired.t_ns, fired.what, fired.kind, fired.axis) for fired in self.fired)
        return Script(acted, tuple(self.faults.idle()), self.faults.drawn, self.faults.explicit)


def build(kernel: Kernel, bus: Bus, request: SimulationRequest) -> Machine:
    """
    The machine that a request asks for, attached to the bus: the truth that it names, or one derived from its axes.

    RecipeError for a machine, dialect or fault file that cannot be used.
    """
    truth = nominal_machine(request) if request.machine is None else read_machine(find_machine(request.machine))
    script = None if request.faults is None else FaultFile(request.faults, request.seed)
    if script is not None:
        truth = script.vary(truth)
    machine = Machine(kernel, request, truth)
    for axis in truth.axes:
        mechanics = Mechanics(kernel, axis, machine.damage, request.seed)
        machine.axes[axis.name] = mechanics
        machine.drives[axis.name] = ShortFrameDrive(kernel, bus, _dialect(axis, request), mechanics, request.seed)
    wiring = Wiring(kernel, {name: drive.inputs for name, drive in machine.drives.items()}, machine.axes)
    wiring.connect(truth.inputs)
    for drive in machine.drives.values():
        drive.wired()
    machine.cues = Cues(wiring, request.cues if request.machine is None else ())
    for left in request.left:
        for name, drive in machine.drives.items():
            if drive.node == left.node:
                begin_as_left(machine.axes[name], drive.servo, left)
    for beam in truth.beams:
        sides = (machine.axes[beam.sides[0]], machine.axes[beam.sides[1]])
        machine.beams[beam.name] = Beam(kernel, beam, sides, machine.damage)
    if script is not None:
        machine.faults = script.put(Workshop(kernel, bus, machine.drives, machine.fired, machine.steps, request.seed))
    return machine


def _dialect(axis: AxisTruth, request: SimulationRequest) -> DriveDialect:
    """The dialect file that the recipe uses under that name, or the one that ships."""
    for wanted in request.axes:
        if axis.dialect in (wanted.dialect, Path(wanted.dialect_file).stem):
            return read_dialect(Path(wanted.dialect_file))
    shipped = SHIPPED / f"{axis.dialect}.yaml"
    if not shipped.exists():
        raise RecipeError(
            f"no simulated drive speaks the dialect {axis.dialect!r}",
            rule="simulated-machine",
            help="Name a recipe or a machine file whose axes have this dialect.",
        )
    return read_dialect(shipped)
