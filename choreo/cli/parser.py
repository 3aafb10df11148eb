"""The arguments of all commands."""

import argparse
from collections.abc import Sequence
from typing import Any, Protocol

from choreo import __version__
from choreo.cli import check, dry_run, explain, link, retreat, run, schema, sim, stop, trial, watch

DESCRIPTION = "Check, rehearse, run and time the motions of multi-axis servo machines, written as YAML recipes."

EPILOG = """\
exit codes: 0 done, 1 an expectation failed, 2 refused before anything was sent, 3 stopped on a fault, a timeout or a
data-error reply, 4 link or adapter lost, 70 a bug in choreo, 130 stopped by the operator

The stop of choreo is software. It replaces neither the emergency stop nor the safety functions of the machine.
"""


class Command(Protocol):
    """What each module of a command offers."""

    def add(self, commands: "argparse._SubParsersAction[Any]") -> None:
        """Declare the command and its arguments; `run(args) -> int` is set as default."""


COMMANDS: tuple[Command, ...] = (check, dry_run, run, stop, watch, link, retreat, trial, sim, explain, schema)


def parse(words: Sequence[str]) -> argparse.Namespace:
    """Raises SystemExit as argparse does: 0 after help, 2 for bad usage."""
    parser = argparse.ArgumentParser(
        prog="choreo", description=DESCRIPTION, epilog=EPILOG, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--version", action="version", version=f"choreo {__version__}")
    commands = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)
    for command in COMMANDS:
        command.add(commands)
    args, more = parser.parse_known_args(words)
    if more:
        takes = getattr(args, "takes_more", None)  # positional words behind an option, which argparse does not gather
        if takes is None or any(word.startswith("-") for word in more):
            parser.error(f"unrecognized arguments: {' '.join(more)}")
        getattr(args, takes).extend(more)
    return args
