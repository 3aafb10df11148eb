"""`choreo sim MACHINE`: serve a simulated machine in real time, behind adapters that other programs open."""

import argparse
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from choreo.cli.arguments import duration, path, seed, whole
from choreo.errors import Exit

if TYPE_CHECKING:
    from choreo.link.port import SimulationRequest

DESCRIPTION = """\
Serve a simulated machine in real time behind a serial-line CAN adapter on a pseudo-terminal, and print the --bus
argument with which other commands reach it. Nothing that moves is real.

While it serves it says what nobody could know from the bus: hosts that open and close the channel, at which bit rate;
faults of the fault file that act; what breaks. Times, also those of a fault file, count from the line "it runs now".
Ctrl-C (or SIGTERM, or closing the terminal) pulls the plug; then it says where every axis truly stands.
"""

EPILOG = """\
in one terminal:
  choreo sim recipes/kiln_gantry/machine.yaml --port kiln
in another:
  choreo link recipes/kiln_gantry/machine.yaml --bus slcan:kiln

Exit codes: 0 when the plug was pulled or the time was over; 3 when the simulated machine took damage; 2 when the
machine, its faults or the port cannot be used.
"""

SLOWEST_BAUD, FASTEST_BAUD = 300, 12_000_000
MOST_ADAPTERS = 8


def add(commands: "argparse._SubParsersAction[Any]") -> None:
    """Declare the command."""
    parser = commands.add_parser(
        "sim",
        help="serve a simulated machine in real time, behind an adapter that other commands open",
        description=DESCRIPTION,
        epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument(
        "machine", metavar="MACHINE", help="a recipe or a machine file (.yaml), or the name of a simulated machine"
    )
    parser.add_argument("--faults", metavar="FILE", type=path, help="faults that the simulated bus and machine have")
    parser.add_argument("--seed", metavar="N", type=seed, default=0, help="of the simulated noise (default 0)")
    parser.add_argument(
        "--baud",
        metavar="N",
        type=whole(SLOWEST_BAUD, FASTEST_BAUD),
        help="make the serial line as slow as a real one: --baud 115200 (if not given, as fast as it goes)",
    )
    parser.add_argument("--port", metavar="PATH", type=path, help="a symbolic link to the port, so that it has a name")
    parser.add_argument(
        "--adapters",
        metavar="N",
        type=whole(1, MOST_ADAPTERS),
        default=1,
        help="so many adapters on the same bus, each with a port of its own, for a second terminal that stops or "
        "listens; with --port PATH the second is PATH-2",
    )
    parser.add_argument(
        "--for", metavar="TIME", dest="lasts", type=duration, help="pull the plug after this time: --for '10 min'"
    )
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Serve until a signal comes or the time is over."""
    from choreo.link.served import find_server

    request = request_of(args.machine, args.seed, args.faults)
    server = find_server()
    say = Teller()
    with _when_asked() as then:
        served = server(request, baud=args.baud, adapters=args.adapters, port=args.port, say=say)
        try:
            then(served.stop)
            for bus in served.buses:
                say(f"--bus {bus}")
            say("it runs now; Ctrl-C pulls the plug")
            served.run(args.lasts)
        finally:
            damaged = served.close()
    return Exit.STOPPED if damaged else Exit.DONE


def request_of(machine: str, seed: int, faults: Path | None) -> "SimulationRequest":
    """
    The machine that a file describes, or the one of that name.

    Raises Refused or RecipeError for a file that cannot be used.
    """
    from choreo.link.port import SimulationRequest

    if machine.endswith((".yaml", ".yml")) or "/" in machine or Path(machine).exists():
        from choreo.api import machine_plan, simulation_request

        return simulation_request(machine_plan(machine), seed=seed, faults=faults)
    return SimulationRequest(machine=machine, axes=(), bit_rate=0, seed=seed, faults=faults)


class Teller:
    """Prints a line at once. When nobody reads any more it falls silent: whoever uses the machine is at its bus."""

    def __init__(self) -> None:
        self._silent = False

    def __call__(self, text: str) -> None:
        """Print it."""
        from choreo.cli.handling import abandon_stdout

        if self._silent:
            return
        try:
            print(text, flush=True)
        except OSError:
            self._silent = True
            abandon_stdout()


@contextmanager
def _when_asked() -> Iterator[Callable[[Callable[[], None]], None]]:
    """
    While inside, Ctrl-C and its relatives call what was handed to `then`, and do nothing else; at once when one came
    before.
    """
    from choreo.cli.interrupts import handled_by

    asked: list[int] = []
    stops: list[Callable[[], None]] = []

    def ask(number: int, frame: object) -> None:
        asked.append(number)
        for stop in stops:
            stop()

    def then(stop: Callable[[], None]) -> None:
        stops.append(stop)
        if asked:
            stop()

    with handled_by(ask):
        yield then
