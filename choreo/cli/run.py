"""`choreo run RECIPE --bus SPEC`: the recipe on the real bus, after a check and a rehearsal of exactly this content."""

import argparse
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime
from typing import TYPE_CHECKING, Any

from choreo.cli.arguments import add_bus, add_recipe_arguments, path

if TYPE_CHECKING:
    from pathlib import Path

    from choreo.api import CheckResult
    from choreo.cli.interrupts import DuringRun
    from choreo.journal import RunFolder
    from choreo.link.live import LiveLink
    from choreo.live.rehearsal import Rehearsal
    from choreo.live.running import LiveResult, Task
    from choreo.plan.model import Plan
    from choreo.run.executor import Outcome

DESCRIPTION = """\
Carry a recipe out on a real bus. Before anything is sent the recipe is checked, and rehearsed on the simulated bus
unless a dry-run of exactly this content is there. Then every node passes a link check, the drives' loads are cleared,
and the operator types the machine's name. While it runs, space, Esc, Ctrl-C and a closed terminal stop every axis; the
end of every run that does not succeed is the proof that each axis stands, or the word that this is not proven.
"""

#: What the journal says next once a question was answered well.
GOES_ON = frozenset({"step_begin", "step_end", "command", "stopping", "end"})
#: How long the last line of standard input, an answer perhaps, has for its way to the session when the input has ended.
TAKING_S = 0.5


def add(commands: "argparse._SubParsersAction[Any]") -> None:
    """Declare the command."""
    parser = commands.add_parser(
        "run", help="check and rehearse a recipe, then carry it out on a real bus", description=DESCRIPTION
    )
    add_recipe_arguments(parser)
    add_bus(parser, required=True)
    add_how(parser)
    parser.add_argument(
        "--out", metavar="DIR", type=path, help="the run folder (default runs/, the recipe's title and the time)"
    )
    parser.add_argument("--quiet", action="store_true", help="show what must be read before, and the result line")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """The exit code of the run."""
    from choreo.cli.interrupts import ending_quietly

    with ending_quietly():
        from choreo.api import check
        from choreo.live.rehearsal import rehearsed

        overrides = dict(args.set)
        checked = check(args.recipe, overrides, pace=args.pace)
        return carry_out(args, checked, lambda plan, folder: rehearsed(plan, args.recipe, overrides, args.pace, folder))


def add_how(parser: argparse.ArgumentParser) -> None:
    """--single-step and --armed."""
    how = parser.add_mutually_exclusive_group()
    how.add_argument(
        "--single-step",
        action="store_true",
        help="ask before each step: what will move, how far and how fast; it goes on at a typed yes",
    )
    how.add_argument(
        "--armed",
        action="store_true",
        help="begin without asking anybody; the journal says so. Whoever starts it answers for the machine",
    )


def carry_out(args: argparse.Namespace, checked: "CheckResult", rehearse: "Callable[[Plan, Path], Rehearsal]") -> int:
    """
    A checked plan on the bus that the arguments name, after its rehearsal; its exit code. To be called while signals
    end the command quietly: until the link is open there is nothing to stop.
    """
    from choreo.cli.interrupts import DuringRun, handled_by
    from choreo.diagnostic import Refused
    from choreo.journal import prepare_folder
    from choreo.live.running import default_folder, run_on_bus
    from choreo.run.live import Live

    if checked.plan is None:
        raise Refused(checked.findings, checked.lines)
    plan, began = checked.plan, datetime.now().astimezone()
    folder = prepare_folder(args.out or default_folder(plan, began.strftime("%Y-%m-%d-%H%M%S")))
    rehearsal = rehearse(plan, folder.rehearsal)
    signals = DuringRun()
    desk = Desk(args, checked, rehearsal, signals)
    live = Live(
        word=machine_word(plan),
        armed="nobody was asked before the first step: --armed" if args.armed else "",
        single_step=args.single_step,
        bus=args.bus,
        started=began.isoformat(timespec="seconds"),
    )
    with handled_by(signals):
        result = run_on_bus(plan, args.bus, dict(args.bus_option), folder, live, desk)
        signals.shows()
        return _shown(result, rehearsal, args)


def machine_word(plan: "Plan") -> str:
    """What is typed for the machine's name: without spaces, because the space bar stops."""
    from choreo.journal import slug

    return slug(plan.machine)


class Desk:
    """The operator's place: what must be read before, the keyboard, the screen."""

    def __init__(
        self, args: argparse.Namespace, checked: "CheckResult", rehearsal: "Rehearsal", signals: "DuringRun"
    ) -> None:
        self._args = args
        self._checked = checked
        self._rehearsal = rehearsal
        self._signals = signals
        self._asked = False
        self._unanswered: Callable[[], None] = lambda: None

    @contextmanager
    def opened(self, link: "LiveLink", folder: "RunFolder", unguarded: str, delayed: str) -> "Iterator[Sequence[Task]]":
        """See `Attendant`."""
        from choreo.cli.keyboard import Keyboard, key_by_key
        from choreo.link.port import Interrupt
        from choreo.link.supervise import pause

        self._tell_before(unguarded, delayed)
        screen = None
        if not self._args.quiet:
            from choreo.cli.screen.process import ScreenProcess

            screen = ScreenProcess(folder.path)
        keyboard = Keyboard(link.post, (lambda text: None) if screen is None else screen.typed)

        def unanswered() -> None:
            keyboard.forget()
            if keyboard.ended:
                link.post(Interrupt("nobody is there to answer"))

        async def read() -> None:
            await keyboard.read()
            await pause(TAKING_S)
            if self._asked and not keyboard.terminal:
                link.post(Interrupt("nobody is there to answer"))

        self._unanswered = unanswered
        with key_by_key():
            if screen is not None:
                screen.start()
            try:
                self._signals.handed_to(link)
                yield [read]
            finally:
                if screen is not None:
                    screen.close()

    def record(self, kind: str, t_ns: int, fields: dict[str, Any]) -> None:
        """See `Attendant`: a question that nobody can answer is a stop; what was typed before it answers nothing."""
        if kind == "operator" and fields["what"] == "asked":
            self._asked = True
            self._unanswered()
        elif kind in GOES_ON:
            self._asked = False

    def _tell_before(self, unguarded: str, delayed: str) -> None:
        from choreo.cli.terminal import width
        from choreo.diagnostic.render import full_text
        from choreo.live.words import before_lines

        if self._checked.findings:
            print(full_text(self._checked.findings, self._checked.lines))
        plan = self._checked.plan
        assert plan is not None
        lines = before_lines(plan, self._args.bus, self._rehearsal, unguarded, delayed, width(sys.stdout))
        for line in lines:
            print(line)
        sys.stdout.flush()


def _shown(result: "LiveResult", rehearsal: "Rehearsal", args: argparse.Namespace) -> int:
    """Show how it ended; its exit code. That nobody reads it changes nothing."""
    from choreo.cli.handling import abandon_stdout, report_bug

    try:
        _show(result, rehearsal, quiet=args.quiet)
    except (OSError, KeyboardInterrupt):
        abandon_stdout()
    if result.outcome.trouble is not None:
        return report_bug(result.outcome.trouble, args.words, result.folder.crash)
    return result.outcome.exit


def _show(result: "LiveResult", rehearsal: "Rehearsal", *, quiet: bool) -> None:
    from choreo.cli.terminal import width
    from choreo.report import report_lines
    from choreo.report.against import against_lines
    from choreo.report.text import result_line

    if result.summary is None or quiet:
        print("its journal is gone" if result.summary is None else result_line(result.summary))
    else:
        cells = width(sys.stdout)
        print()
        for line in report_lines(result.summary, cells, result=False):
            print(line)
        print()
        for line in against_lines(result.summary, rehearsal.summary, cells):
            print(line)
        print(result_line(result.summary))
        print(f"run folder: {result.folder.path}")
    if result.folder.guardian.exists():
        from choreo.service.stop import guardian_word

        print(guardian_word(result.folder.path, 0.0))
    if result.summary is None or not result.summary.complete:
        for line in _unrecorded(result.outcome):
            print(line)
    sys.stdout.flush()


def _unrecorded(outcome: "Outcome") -> "Iterator[str]":
    """How it ended, where no record could be made of that: a full disk, a folder that was deleted."""
    yield f"{outcome.headline} (exit code {int(outcome.exit)})"
    for rest in outcome.rests:
        how = "at rest" if rest.proven else "NOT PROVEN AT REST"
        yield f"  {rest.axis.name}: {how}, {rest.why}. {rest.next_action()}"
