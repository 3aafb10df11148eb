"""`choreo watch RUN`: look on while a run goes on in another terminal."""

import argparse
import sys
from pathlib import Path
from typing import Any

from choreo.cli.arguments import path
from choreo.errors import Exit, RecipeError

#: How often it is looked whether there is more, seconds.
LOOK_S = 0.1


def add(commands: "argparse._SubParsersAction[Any]") -> None:
    """Declare the command."""
    parser = commands.add_parser(
        "watch",
        help="show a run that goes on in another terminal",
        description=(
            "Show how a run goes on, from its journal alone: what it does in big letters, the step and what comes "
            "next, the axes against their limits. It may be started before the run. Whoever watches can stop nothing: "
            "q and Enter, or Ctrl-C, only leaves. On a pipe it prints lines."
        ),
    )
    parser.add_argument("journal", metavar="RUN", type=path, help="the run folder, or its journal.jsonl")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """0, however the run ends. RecipeError for what is no run."""
    from choreo.cli.handling import abandon_stdout
    from choreo.cli.terminal import can_redraw
    from choreo.report.table import printable

    journal = _journal(args.journal)
    ended = _drawn(journal) if can_redraw(sys.stdout) else _as_lines(journal)
    try:
        if ended:
            _show_end(journal)
        else:
            state = "the run goes on" if journal.exists() else "no run has begun"
            print(printable(f"no longer watching; {state}. Its folder: {journal.parent}"), flush=True)
    except OSError:  # the terminal or whoever read has gone: nobody is there to be told
        abandon_stdout()
    return Exit.DONE


def _journal(where: Path) -> Path:
    """The journal of a run, which need not be there yet. RecipeError for a path that can never hold one."""
    from choreo.journal.folder import CRASH, FAULTS, JOURNAL, REHEARSAL, SUMMARY, TRACE

    if where.is_file():
        return where
    if where.is_dir():
        names = {entry.name for entry in where.iterdir()}
        # A run that has not begun may have its rehearsal there already.
        if names and not names & {JOURNAL, TRACE, SUMMARY, FAULTS, CRASH, REHEARSAL}:
            raise RecipeError(
                f"the folder {where} holds something and no journal of a run",
                rule="watch",
                help=f"Name the run folder, or the {JOURNAL} in it.",
            )
        return where / JOURNAL
    if where.name == JOURNAL and where.parent.is_dir() and not where.exists():
        return where
    if where.exists() or where.suffix:
        raise RecipeError(
            f"{where} is no run folder and no journal" if where.exists() else f"there is no journal {where}",
            rule="watch",
            help=f"Name the run folder, or the {JOURNAL} in it.",
        )
    if not where.parent.is_dir():
        raise RecipeError(f"there is no folder {where.parent} in which {where.name} could come", rule="watch")
    return where / JOURNAL


def _drawn(journal: Path) -> bool:
    """By a process that gives the terminal back whatever becomes of this one. Whether the run has ended."""
    from choreo.cli.screen.leaving import Onlooker
    from choreo.cli.screen.process import FAILED, RUN_ENDED, ScreenProcess
    from choreo.journal import read_journal

    with Onlooker(sys.stdin) as onlooker, ScreenProcess(journal, watching=True) as screen:
        while (code := screen.poll()) is None:
            if onlooker.leaves(LOOK_S):
                return False
    if code == FAILED:
        read_journal(journal)  # says what is wrong with it
        raise RecipeError(f"{journal} cannot be shown", rule="watch")
    return code == RUN_ENDED


def _as_lines(journal: Path) -> bool:
    """One line a step, a finding, a question. Whether the run has ended; false when it was left, or nobody reads."""
    from choreo.cli.lines import SILENT_LOOKS, follow
    from choreo.cli.screen.leaving import Onlooker

    with Onlooker(None) as onlooker:
        return follow(journal, sys.stdout, lambda: onlooker.leaves(LOOK_S), SILENT_LOOKS)


def _show_end(journal: Path) -> None:
    """The report, as the run itself shows it."""
    from choreo.cli.terminal import width
    from choreo.journal import read_journal
    from choreo.report import report_lines, summarise

    for line in report_lines(summarise(read_journal(journal)), width(sys.stdout)):
        print(line)
    print(f"run folder: {journal.parent}")
    sys.stdout.flush()
