"""`choreo link RECIPE --bus SPEC`: which nodes answer, how fast, how steadily, and who else is on the bus."""

import argparse
import sys
from typing import TYPE_CHECKING, Any

from choreo.cli.arguments import add_bus, duration, path
from choreo.errors import Exit

if TYPE_CHECKING:
    from choreo.service.link_check import Progress
    from choreo.service.link_figures import LinkReport
    from choreo.service.link_verdict import Verdict

#: What `--for` and `--every` may be.
SHORTEST_NS, LONGEST_NS = 1_000_000, 7 * 24 * 3600 * 1_000_000_000

DESCRIPTION = """\
Counted exchanges with each node of the machine, a question to every other node number that its dialects allow, and an
ear for everybody else on the bus. Nothing moves and nothing is written to a drive; drives may be enabled or not. Ctrl-C
ends it early and shows what was measured until then.

exit codes: 0 the link is good, 4 it is not, 2 refused before anything was sent, 130 ended before anything was measured
"""


def add(commands: "argparse._SubParsersAction[Any]") -> None:
    """Declare the command."""
    parser = commands.add_parser(
        "link",
        help="which nodes of the machine answer on a real bus, how fast and how steadily; who else is there",
        description=DESCRIPTION,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("recipe", metavar="RECIPE", type=path, help="the recipe, or the machine file")
    add_bus(parser, required=True)
    how = parser.add_mutually_exclusive_group()
    how.add_argument(
        "--exchanges",
        metavar="N",
        type=exchanges,
        help="counted exchanges with each node (default 300: none lost then means that at most 1 %% are)",
    )
    how.add_argument("--for", metavar="TIME", dest="for_ns", type=measuring_time, help="go on for a time: --for 10min")
    parser.add_argument(
        "--every",
        metavar="TIME",
        dest="every_ns",
        type=measuring_time,
        help="from one exchange with a node to the next: --every 20ms (default: as the recipe polls; 1 s with --for)",
    )
    parser.add_argument("--format", choices=("text", "json"), default="text", help="json: every figure")
    parser.set_defaults(run=run)


def exchanges(text: str) -> int:
    """A whole number above 0."""
    if not (text.isascii() and text.isdigit()) or len(text) > 9 or not int(text):
        raise argparse.ArgumentTypeError(f"{text[:40]!r} should be a whole number above 0, such as 300")
    return int(text)


def measuring_time(text: str) -> int:
    """A time that a measurement may take, in nanoseconds."""
    ns = duration(text)
    if not SHORTEST_NS <= ns <= LONGEST_NS:
        raise argparse.ArgumentTypeError(f"{text[:40]!r} should lie between 1 ms and 7 days")
    return ns


def run(args: argparse.Namespace) -> int:
    """The exit code: whether the link is good."""
    from choreo.cli.handling import abandon_stdout
    from choreo.cli.interrupts import ending_quietly

    shown = Shown()
    with ending_quietly():  # until the link is open there is nothing to end
        from choreo.api import link_check
        from choreo.service.link_check import Wanted
        from choreo.service.link_verdict import judge

        wanted = Wanted(args.exchanges, args.for_ns, args.every_ns)
        try:
            report = link_check(args.recipe, args.bus, dict(args.bus_option), wanted=wanted, watch=shown.progress)
        finally:
            shown.clear()
        verdict = judge(report)
    try:
        _show(report, verdict, args)
    except OSError:  # that nobody reads it changes nothing about the link
        abandon_stdout()
    if verdict.good:
        return Exit.DONE
    return Exit.LINK if report.exchanges or report.lost_adapter else Exit.OPERATOR


def _show(report: "LinkReport", verdict: "Verdict", args: argparse.Namespace) -> None:
    from choreo.cli.terminal import width
    from choreo.service.link_text import report_json, report_lines

    if args.format == "json":
        print(report_json(report, verdict, args.bus))
    else:
        for line in report_lines(report, verdict, args.bus, width(sys.stdout)):
            print(line)
    sys.stdout.flush()


class Shown:
    """
    The progress, on standard error: one line that is drawn over on a terminal, and otherwise one a minute. That nobody
    reads it any more changes nothing.
    """

    SELDOM_S = 60

    def __init__(self) -> None:
        from choreo.cli.terminal import can_redraw

        self._redraws = can_redraw(sys.stderr)
        self._drawn = 0
        self._minutes = 0

    def progress(self, progress: "Progress") -> None:
        """How far it is."""
        line = progress_line(progress)
        minutes = int(progress.t_ns / 1e9) // self.SELDOM_S
        if self._redraws:
            self._write("\r" + line.ljust(self._drawn))
            self._drawn = len(line)
        elif minutes > self._minutes:
            self._minutes = minutes
            self._write(line + "\n")

    def clear(self) -> None:
        """Nothing of it stays on the terminal."""
        if self._drawn:
            self._write("\r" + " " * self._drawn + "\r")

    def _write(self, text: str) -> None:
        try:
            sys.stderr.write(text)
            sys.stderr.flush()
        except (OSError, ValueError):
            self._redraws = False


def progress_line(progress: "Progress") -> str:
    """`1:20 of 10:00, 320 exchanges, 0 lost, 0 wrong, longest 1.8 ms, load at most 6.1 %`."""
    time = _clock(progress.t_ns) + ("" if progress.for_ns is None else f" of {_clock(progress.for_ns)}")
    many = str(progress.exchanges) + ("" if progress.target is None else f" of {progress.target}")
    return (
        f"{time}, {many} exchanges, {progress.lost} lost, {progress.wrong} wrong, "
        f"longest {progress.worst_ns / 1e6:.1f} ms, load at most {100 * progress.load:.1f} %"
    )


def _clock(ns: int) -> str:
    seconds = ns // 1_000_000_000
    hours = f"{seconds // 3600}:{seconds // 60 % 60:02d}" if seconds >= 3600 else str(seconds // 60)
    return f"{hours}:{seconds % 60:02d}"
