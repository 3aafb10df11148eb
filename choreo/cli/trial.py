"""`choreo trial RECIPE`: many dry-runs with other noise and other faults, over the processors."""

import argparse
import os
import signal
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from choreo.cli.arguments import add_answer, add_recipe_arguments, path, seed, whole

if TYPE_CHECKING:
    from choreo.api import TrialResult
    from choreo.trial import Tally

DESCRIPTION = """\
Run a recipe many times on the simulated bus, each time with another seed: of its noise, its latencies, and of all that
the fault file leaves to chance. Says how the runs ended, how far the axes went after a stop, how far a pair racked, and
which timeouts were closest. The same arguments give the same figures, whatever --jobs is.
"""

EPILOG = """\
Exit codes: 0 when every run ended as a run may end, done or stopped; 3 when the simulated machine took damage, an axis
moved after the end though it was said to stand, or a process died; 70 when choreo met a bug of its own; 130 when the
trial was interrupted, after what is known so far; 2 when the recipe or the faults were refused.
"""

MOST_RUNS = 1_000_000
MOST_JOBS = 256


def add(commands: "argparse._SubParsersAction[Any]") -> None:
    """Declare the command."""
    parser = commands.add_parser(
        "trial",
        help="many dry-runs with random faults and noise, over the processors",
        description=DESCRIPTION,
        epilog=EPILOG,
    )
    add_recipe_arguments(parser)
    parser.add_argument("--faults", metavar="FILE", type=path, help="faults that the simulated bus and machine have")
    parser.add_argument("--runs", metavar="N", type=whole(1, MOST_RUNS), default=100, help="how many (default 100)")
    parser.add_argument("--jobs", metavar="J", type=whole(1, MOST_JOBS), help="processes (default: one a processor)")
    parser.add_argument("--seed", metavar="S", type=trial_seed, default=0, help=f"run i has seed S * {MOST_RUNS} + i")
    add_answer(parser)
    parser.add_argument(
        "--out",
        metavar="DIR",
        type=path,
        help="keep trial.json in a folder, and beside it the run folders of one run of each ending and of the worst",
    )
    parser.add_argument("--format", choices=("text", "json"), default="text", help="default text")
    parser.set_defaults(run=run)


def trial_seed(text: str) -> int:
    """As small as the seeds of its runs need."""
    value = seed(text)
    if value >= 10**12:
        raise argparse.ArgumentTypeError(f"{text!r} should be below {10**12}, so that the seeds of the runs have room")
    return value


def run(args: argparse.Namespace) -> int:
    """How the worst of the runs ended; see the epilog."""
    from choreo.api import trial
    from choreo.cli.handling import abandon_stdout

    with _until_asked() as enough:
        result = trial(
            args.recipe,
            dict(args.set),
            pace=args.pace,
            faults=args.faults,
            runs=args.runs,
            jobs=processors() if args.jobs is None else args.jobs,
            seed=args.seed,
            out=args.out,
            answer=args.answer,
            enough=enough,
            progress=_progress(args.runs),
        )
    try:
        _show(result, args)
    except BrokenPipeError:  # how it ended matters more
        abandon_stdout()
    return result.trial.tally.exit(interrupted=result.trial.interrupted)


def processors() -> int:
    """Those that this process may use."""
    may = getattr(os, "sched_getaffinity", None)
    return len(may(0)) if may is not None else os.cpu_count() or 1


def repeating(args: argparse.Namespace, seed: int) -> str:
    """The shell command that repeats a run."""
    import shlex

    words = ["choreo", "dry-run", str(args.recipe)]
    for name, value in args.set:
        words += ["--set", f"{name}={value}"]
    if args.pace != 1:
        words += ["--pace", str(args.pace)]
    if args.faults is not None:
        words += ["--faults", str(args.faults)]
    if args.answer != "yes":
        words += ["--answer", args.answer]
    return shlex.join([*words, "--seed", str(seed)])


def _show(result: "TrialResult", args: argparse.Namespace) -> None:
    from choreo.cli.terminal import width
    from choreo.diagnostic.render import full_text
    from choreo.trial.words import trial_json, trial_lines

    def command(seed: int) -> str:
        return repeating(args, seed)

    if args.format == "json":
        sys.stdout.write(trial_json(result.trial, command))
    else:
        if result.findings:
            print(full_text(result.findings, result.lines))
        for line in trial_lines(result.trial, command, width(sys.stdout)):
            print(line)
        for folder in result.folders:
            print(f"run folder: {folder}")
    sys.stdout.flush()


def _progress(runs: int) -> "Callable[[Tally], None]":
    """One line on a terminal, drawn over; nothing elsewhere. It goes to standard error, apart from the figures."""
    from choreo.cli.terminal import can_redraw

    if not can_redraw(sys.stderr):
        return lambda _: None

    def draw(tally: "Tally") -> None:
        came = tally.runs + tally.died.runs
        kinds = len(tally.groups)
        text = f"{came} of {runs} runs, {kinds} kind{'' if kinds == 1 else 's'} of ending"
        try:
            print(f"\r\x1b[K{text}" if came < runs else "\r\x1b[K", end="", file=sys.stderr, flush=True)
        except OSError:  # nobody looks any more
            return

    return draw


@contextmanager
def _until_asked() -> "Iterator[Callable[[], bool]]":
    """
    While inside, the first Ctrl-C (or one of its relatives) only asks the trial to end; a second one is as usual. A
    signal that is ignored stays ignored.
    """
    import threading

    asked: list[int] = []
    if threading.current_thread() is not threading.main_thread():
        yield lambda: False
        return
    before: dict[int, Any] = {}

    def ask(number: int, frame: object) -> None:
        asked.append(number)
        signal.signal(number, before[number])

    for name in ("SIGINT", "SIGTERM", "SIGHUP"):
        known = getattr(signal, name, None)
        if known is not None and signal.getsignal(known) is not signal.SIG_IGN:
            before[known] = signal.getsignal(known)
            signal.signal(known, ask)
    try:
        yield lambda: bool(asked)
    finally:
        for known, handler in before.items():
            signal.signal(known, handler)
