"""
The commands: one file each, thin. What they do is `choreo.api`'s; here are arguments, output and exit codes.

Real clocks, signals and terminals are known here and in the live link only. Everything heavy is imported inside the
command that needs it, so that `choreo --help` starts at once.
"""

import os
import sys
from collections.abc import Sequence


def main(argv: Sequence[str] | None = None) -> int:
    """The command line; returns the exit code (see `choreo.errors`). `argv` without the program's name."""
    from choreo.cli.handling import guarded
    from choreo.cli.parser import parse

    open_standard_streams()
    words = list(sys.argv[1:] if argv is None else argv)
    try:
        args = parse(words)
    except SystemExit as left:  # argparse has printed help, the version or what is wrong
        return left.code if isinstance(left.code, int) else 0
    args.words = words  # for the report of a bug
    return guarded(lambda: args.run(args), words)


def open_standard_streams() -> None:
    """
    Where a standard stream was closed, the next file to be opened gets its number: an adapter, perhaps, onto whose bus
    every word of a child process would then go. It is nowhere from now on.
    """
    while (descriptor := os.open(os.devnull, os.O_RDWR)) <= 2:
        os.set_inheritable(descriptor, True)
    os.close(descriptor)
    if sys.stdout is None:
        sys.stdout = open(1, "w", encoding="utf-8", closefd=False)  # noqa: SIM115  for as long as the process lives
    if sys.stderr is None:
        sys.stderr = open(2, "w", encoding="utf-8", closefd=False)  # noqa: SIM115
