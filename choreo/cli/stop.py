"""`choreo stop RECIPE`: stops every node of the machine now, from a second terminal, and says which axes stand."""

import argparse
import gc
import queue
import signal
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import FrameType
from typing import TYPE_CHECKING, Any

from choreo.cli.arguments import add_bus, path

if TYPE_CHECKING:
    from choreo.live.stop import Stopped
    from choreo.plan.model import Plan

DESCRIPTION = """\
Stop every node of a machine now, from a second terminal, and prove that each axis stands. RECIPE is any recipe of the
machine, its steps right or wrong, or the machine file itself.

Where a process of choreo's has the machine, that process is asked to stop it: it knows what it has handed over, and
only one program can have most adapters. Its journal says how each axis came to rest. Where there is none, or it does
not react within a second, the bus named with --bus is opened and the stop sent at once, before anything is read: to
all nodes, then to each, again and again until each is seen to stand.

The stop is the controlled ramp that an operator's stop always has: nobody knows here what the machine is doing, how its
drives are set, nor what they carry, and a controlled ramp keeps the axes under power, loads held and beams square. It
becomes a quick stop by itself as soon as anything is found wrong, a node that does not answer for example. --quick
sends the quick stop at once: the shortest way, with all the strain that it puts on machine and load, and some drives
take their power away after it. A process that has the machine decides that for itself.

Loads that drives still hold are cleared, or named where that cannot be proved: the next start would set them off.
Nothing else is changed. No fault is reset, no power is taken; of an axis that runs away from the stop it is.

Ctrl-C never cuts the stop short. This stop is software: it replaces neither the emergency stop nor the safety functions
of the machine. In danger use those first.

exit codes: 0 every axis is proven at rest, 2 nothing was sent because of what was asked for, 3 an axis is not proven at
rest, 4 adapter or link lost.
"""

#: What is still to be shown at the end is given so long on a terminal that does not take it.
SHOWING_S = 2.0


def add(commands: "argparse._SubParsersAction[Any]") -> None:
    """Declare the command."""
    parser = commands.add_parser(
        "stop",
        help="stop every node of a machine now, from a second terminal",
        description=DESCRIPTION,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("recipe", metavar="RECIPE", type=path, help="a recipe of the machine, or its machine file")
    add_bus(parser, required=False)
    parser.add_argument("--quick", action="store_true", help="the quick stop at once instead of the controlled ramp")
    parser.add_argument(
        "--out", metavar="DIR", type=path, help="the run folder, a new one (default runs/, the machine and the time)"
    )
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """The exit code of the stop."""
    from choreo.cli.handling import report_bug

    began = time.time()
    with collecting_nothing(), Teller() as teller, holding_on(teller.say):
        from choreo.live.stop import Wanted, stop_machine

        wanted = Wanted(
            bus=args.bus,
            options=dict(args.bus_option),
            quick=args.quick,
            out=args.out,
            stamp=time.strftime("%Y-%m-%d-%H%M%S", time.localtime(began)),
            started=time.strftime("%Y-%m-%dT%H:%M:%S%z", time.localtime(began)),
        )
        stopped = stop_machine(_plan(args, teller.say), wanted, teller.say)
        for line in _lines(stopped):
            teller.say(line)
    if stopped.trouble is not None:
        from choreo.journal.folder import RunFolder

        crash = None if stopped.folder is None else RunFolder(stopped.folder).crash
        return report_bug(stopped.trouble, args.words, crash)
    return stopped.exit


def _plan(args: argparse.Namespace, say: Callable[[str], None]) -> "Plan":
    from choreo.api import machine_plan
    from choreo.diagnostic import Refused
    from choreo.running import find

    try:
        return machine_plan(args.recipe)
    except Refused:
        say("NOTHING WAS SENT: this file does not say which nodes there are to stop. In danger use the machine's own")
        say("emergency stop. The machine file alone will do, or another recipe of the machine.")
        for one in find():
            say(f"Process {one.pid} has {one.machine} on {one.bus}: `kill {one.pid}` asks it to stop its machine.")
        raise


def _lines(stopped: "Stopped") -> Iterator[str]:
    from choreo.report import words
    from choreo.service.stop import lines_of

    yield from lines_of(stopped.axes)
    yield words.ENCODERS
    if stopped.folder is not None:
        yield f"run folder: {stopped.folder}"
    yield f"{stopped.headline[0].upper()}{stopped.headline[1:]}."


class Teller:
    """
    Shows lines in a thread of its own: a terminal that is halted (Ctrl-S), closed or slow keeps no stop waiting. A
    context: at its end what is left is shown.
    """

    def __init__(self) -> None:
        self._lines: queue.SimpleQueue[str | None] = queue.SimpleQueue()
        self._thread = threading.Thread(target=self._show, name="choreo stop teller", daemon=True)

    def say(self, line: str) -> None:
        """Returns at once, and never raises."""
        self._lines.put(line)

    def _show(self) -> None:
        from choreo.report.table import printable

        while (line := self._lines.get()) is not None:
            try:
                print(printable(line), flush=True)
            except (OSError, ValueError):  # nobody reads it any more
                from choreo.cli.handling import abandon_stdout

                abandon_stdout()

    def __enter__(self) -> "Teller":
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._lines.put(None)
        self._thread.join(SHOWING_S)


@contextmanager
def collecting_nothing() -> Iterator[None]:
    """
    While inside, no garbage is collected: a sixth of the time until the first frame, and a stop makes little of it.
    """
    enabled = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if enabled:
            gc.enable()


@contextmanager
def holding_on(say: Callable[[str], None]) -> Iterator[None]:
    """
    While inside, a first Ctrl-C only says that the stop goes on, a second one before the bus is open gives it up; being
    asked to end or to wait, and a terminal that is closed, change nothing. Whoever opens the link takes the signals
    over meanwhile.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    came: list[int] = []

    def hold_on(number: int, frame: FrameType | None) -> None:
        if came:
            raise KeyboardInterrupt
        came.append(number)
        say("The stop goes on. Once more gives it up, as long as its bus is not open.")

    ignored = ("SIGTERM", "SIGHUP", "SIGTSTP")
    handlers: dict[str, Any] = {"SIGINT": hold_on, **dict.fromkeys(ignored, signal.SIG_IGN)}
    before = {
        getattr(signal, name): signal.signal(getattr(signal, name), handler)
        for name, handler in handlers.items()
        if hasattr(signal, name)
    }
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
