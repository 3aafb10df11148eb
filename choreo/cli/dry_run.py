"""`choreo dry-run RECIPE`: check, then run on the simulated bus in virtual time."""

import argparse
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from choreo.cli.arguments import add_answer, add_recipe_arguments, path, seed

if TYPE_CHECKING:
    from choreo.api import RunResult, Watcher
    from choreo.link.port import Link


def add(commands: "argparse._SubParsersAction[Any]") -> None:
    """Declare the command."""
    parser = commands.add_parser(
        "dry-run",
        help="check a recipe, then run it on a simulated bus in virtual time",
        description="Check a recipe, then run it on a simulated bus. The same inputs give the same run, bit for bit.",
    )
    add_recipe_arguments(parser)
    parser.add_argument("--faults", metavar="FILE", type=path, help="faults that the simulated bus and machine have")
    parser.add_argument("--seed", metavar="N", type=seed, default=0, help="of the simulated noise (default 0)")
    add_answer(parser)
    parser.add_argument("--out", metavar="DIR", type=path, help="the run folder (default runs/ and the recipe's title)")
    parser.add_argument("--quiet", action="store_true", help="show the result line only")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """The exit code of the run."""
    from choreo.api import dry_run

    result = dry_run(
        args.recipe,
        dict(args.set),
        pace=args.pace,
        seed=args.seed,
        faults=args.faults,
        out=args.out,
        attend=lambda link: attend_to(link, quiet=args.quiet),
        answer=args.answer,
    )
    return shown(result, args)


def shown(result: "RunResult", args: argparse.Namespace) -> int:
    """Show how a run ended; its exit code."""
    from choreo.cli.handling import abandon_stdout, report_bug

    try:
        _show(result, quiet=args.quiet)
    except BrokenPipeError:  # how the run ended matters more
        abandon_stdout()
    if result.outcome.trouble is not None:
        return report_bug(result.outcome.trouble, args.words, result.folder.crash)
    return result.outcome.exit


@contextmanager
def attend_to(link: "Link", *, quiet: bool) -> "Iterator[Watcher | None]":
    """Signals go to the link; the journal goes to the screen."""
    from choreo.cli.interrupts import interrupts_to
    from choreo.cli.lines import PlainLines
    from choreo.cli.terminal import can_redraw
    from choreo.link.port import Interrupt

    def gone() -> None:
        link.post(Interrupt("the output was closed"))

    with interrupts_to(link):
        if quiet:
            yield None
        elif can_redraw(sys.stdout):
            from choreo.cli.drawn import DrawnRun

            with DrawnRun(sys.stdout, gone) as view:
                yield view
        else:
            yield PlainLines(sys.stdout, gone)


def _show(result: "RunResult", *, quiet: bool) -> None:
    from choreo.cli.terminal import width
    from choreo.diagnostic.render import full_text
    from choreo.report import report_lines
    from choreo.report.text import result_line

    if quiet:
        print(result_line(result.summary))
    else:
        print()
        if result.findings:
            print(full_text(result.findings, result.lines))
        for line in report_lines(result.summary, width(sys.stdout)):
            print(line)
        if result.script is not None:
            from choreo.cli.scripted import script_lines

            print()
            for line in script_lines(result.script, result.summary.seed or 0, width(sys.stdout)):
                print(line)
        print(f"run folder: {result.folder.path}")
    sys.stdout.flush()
