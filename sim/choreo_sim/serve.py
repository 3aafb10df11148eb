"""
A simulated machine in real time behind serial-line CAN adapters: everything is as on a real bus, up to the adapters'
ports, which any program may open.

It says what whoever sits at the bus could not know: hosts that come and go, scripted faults that act, what breaks, and
at the end where everything truly is.
"""

import gc
import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from choreo.errors import RecipeError
from choreo.link.port import SimulationRequest
from choreo_sim.bus import Bus
from choreo_sim.fault_entry import Fired
from choreo_sim.final_state import as_it_was_left, lasted
from choreo_sim.kernel import Kernel
from choreo_sim.machine import Machine, build
from choreo_sim.machine_file import find_machine, read_machine
from choreo_sim.port_link import PortLink
from choreo_sim.realtime import RealTime
from choreo_sim.serial_adapter import SerialAdapter, kbit
from choreo_sim.truth import Damage

Say = Callable[[str], object]
#: More axes are not named one by one before it begins.
NAMED = 12
#: Of the round-robin class of real-time processes.
PRIORITY = 10


class ServedMachine:
    """Keeps what `choreo.link.served.Served` promises."""

    def __init__(
        self, request: SimulationRequest, *, baud: int | None, adapters: int, port: Path | None, say: Say
    ) -> None:
        self._say = say
        self._kernel = Kernel()
        self._bus = Bus(self._kernel, request.bit_rate or _own_bit_rate(request))
        self._machine = build(self._kernel, self._bus, request)
        _must_not_wait_for_steps(self._machine, request)
        self._realtime = RealTime(self._kernel)
        names = ("host", *(f"host {number}" for number in range(2, adapters + 1)))
        self._adapters = [
            SerialAdapter(self._realtime, self._bus, baud=baud, name=name, say=self._at_once) for name in names
        ]
        self._links: list[PortLink] = []
        try:
            if port is not None:
                for number, adapter in enumerate(self._adapters, start=1):
                    self._links.append(PortLink(_numbered(port, number), adapter.port))
        except RecipeError:
            self._let_go()
            raise
        ports = [str(link.path) for link in self._links] or [adapter.port for adapter in self._adapters]
        self.buses = tuple(f"slcan:{name}" for name in ports)
        if adapters == 1 and baud is None:  # else the end of a frame is seen by another host, or the line has its time
            self._realtime.settled_until = lambda: self._bus.settled_until(self._adapters[0].host)
        self._watch_machine(self._adapters[0])

    def run(self, lasts_ns: int | None = None) -> None:
        """See `Served`."""
        if lasts_ns is not None:
            self._kernel.after(lasts_ns, lambda _: self.stop())
        self._machine.truth_now()  # from now on skews are watched
        gc.collect()
        gc.freeze()  # what has been built stays: no later look for garbage goes through it, which could take long
        try:
            with before_others():
                self._realtime.run()
        finally:
            gc.unfreeze()

    def stop(self) -> None:
        """See `Served`."""
        self._realtime.stop()

    def close(self) -> bool:
        """See `Served`."""
        lost = {adapter.name: (adapter.overruns, adapter.refused) for adapter in self._adapters}
        self._let_go()
        self._say(f"the plug is out after {lasted(self._kernel.now_ns)}")
        for line in as_it_was_left(self._machine, self._kernel.now_ns):
            self._say(line)
        for name, (overruns, refused) in lost.items():
            if overruns or refused:
                self._say(f"{name}: {overruns} lines for it lost, {refused} frames refused because the bus was full")
        self._say(f"at worst {self._realtime.late_ns / 1e6:.1f} ms behind the clock")
        return bool(self._machine.damage)

    def _let_go(self) -> None:
        for link in self._links:
            link.remove()
        for adapter in self._adapters:
            adapter.close()
        self._realtime.close()

    def _watch_machine(self, first: SerialAdapter) -> None:
        machine = self._machine
        machine.fired.tell = self._acted
        machine.damage.tell = self._broke
        self._say(_introduced(machine, self._bus))
        request = machine.request
        if request.machine is None and (request.inputs or request.cues):
            self._say("its inputs stay as they are: what a step waits for does not come by itself")
        for fired in machine.fired:
            self._acted(fired)
        machine.on_link(first)

    def _acted(self, fired: Fired) -> None:
        who = f" on {fired.axis}" if fired.axis else ""
        self._at_once(f"fault {fired.kind}{who}: {fired.what}")

    def _broke(self, damage: Damage) -> None:
        self._at_once(f"DAMAGE: {damage.what}")

    def _at_once(self, text: str) -> None:
        self._say(f"{self._kernel.now_ns / 1e9:9.3f} s  {text}")


@contextmanager
def before_others() -> Iterator[None]:
    """While inside, this process goes before usual ones where the system lets it: drives do not wait for programs."""
    try:
        before = os.sched_getscheduler(0)
        os.sched_setscheduler(0, os.SCHED_RR | os.SCHED_RESET_ON_FORK, os.sched_param(PRIORITY))
    except (AttributeError, OSError):
        yield
        return
    try:
        yield
    finally:
        with suppress(OSError):
            os.sched_setscheduler(0, before, os.sched_param(0))


def serve(
    request: SimulationRequest,
    *,
    baud: int | None = None,
    adapters: int = 1,
    port: Path | None = None,
    say: Say,
) -> ServedMachine:
    """See `choreo.link.served.Server`."""
    return ServedMachine(request, baud=baud, adapters=adapters, port=port, say=say)


def _own_bit_rate(request: SimulationRequest) -> int:
    if request.machine is None:
        raise RecipeError("a machine without a truth of its own needs a bit rate", rule="simulated-machine")
    return read_machine(find_machine(request.machine)).bit_rate


def _must_not_wait_for_steps(machine: Machine, request: SimulationRequest) -> None:
    waiting = [] if machine.faults is None else machine.faults.by_step()
    if waiting:
        more = f" (and {len(waiting) - 1} more like it)" if len(waiting) > 1 else ""
        raise RecipeError(
            f"{request.faults}: this fault waits for a step, and over a serial line no step is heard: "
            f"{waiting[0]}{more}",
            rule="fault-by-step",
            help="Say a time since the simulation began (at: 12 s), or count messages (nth: 3), in place of the step.",
        )


def _numbered(port: Path, number: int) -> Path:
    return port if number == 1 else port.with_name(f"{port.name}-{number}")


def _introduced(machine: Machine, bus: Bus) -> str:
    name = machine.request.machine or "nominal machine"
    nodes = [f"{drive.name} {drive.node}" for drive in machine.drives.values()]
    named = f": {', '.join(nodes)}" if len(nodes) <= NAMED else ""
    count = f"{len(nodes)} axis" if len(nodes) == 1 else f"{len(nodes)} axes"
    return f"{name} at {kbit(bus.bit_rate)}, {count} by name and node{named}"
