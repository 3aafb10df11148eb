"""
A stop from a second terminal: through the process that has the machine, or over the bus when there is none or it hangs.

Nothing here waits for a screen, a disk or a folder before the stop frames are on the bus, and nothing but the adapter
and the bus can keep them from it: a run folder that cannot be made is a run folder elsewhere, or none.
"""

import os
from collections.abc import Callable, Mapping
from contextlib import ExitStack, suppress
from dataclasses import dataclass, replace
from io import StringIO
from pathlib import Path
from typing import Any

from choreo.errors import ChoreoError, Exit, LinkLost, MachineFault, RecipeError
from choreo.journal.after_stop import AxisAfterStop, axis_after_stop
from choreo.journal.folder import RunFolder, prepare_folder, slug
from choreo.journal.writer import JournalWriter
from choreo.link.live import open_live
from choreo.link.simulated import run_by_hand
from choreo.link.supervise import signals_post_to
from choreo.link.trace import TraceLink
from choreo.live.stops import stop_frames
from choreo.plan.model import Plan
from choreo.run.live import Live
from choreo.run.stop_now import stop_now
from choreo.running import Running, announced, find, same_bus
from choreo.service.stop import Answered, ask_to_stop, guardian_word

#: No announcement of another process' keeps a stop waiting for longer.
ANNOUNCING_S = 0.1
#: A guardian acts when its session has been silent for 2 s.
GUARDIAN_S = 4.0

EMERGENCY = "Use the machine's own emergency stop, and stay clear."

Say = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class Wanted:
    """
    What the operator asks for: over which bus where nobody has it, with a quick stop or the controlled ramp, into which
    run folder. `stamp` is the time for a folder's name, `started` the same as ISO 8601.
    """

    bus: str | None = None
    options: Mapping[str, str] | None = None
    quick: bool = False
    out: Path | None = None
    stamp: str = ""
    started: str = ""


@dataclass(frozen=True, slots=True)
class Stopped:
    """
    How it ended: the exit code and one line, each axis, the run folder with the records of it (None where none could be
    made), and an unforeseen exception.
    """

    exit: Exit
    headline: str
    axes: tuple[AxisAfterStop, ...]
    folder: Path | None
    trouble: BaseException | None = None


def stop_machine(plan: Plan, wanted: Wanted, say: Say) -> Stopped:
    """
    Stop every node of the machine. `say` gets lines for the operator as things happen, and must neither wait nor raise.

    Raises:
        RecipeError: nobody has the machine and no bus was named; the bus is none; a dialect offers no stop.
        MachineFault: the process that has the machine does not stop it, and no bus was named.
        LinkLost: the adapter cannot be opened.
    """
    unheard: list[Answered] = []
    for running in find(machine=plan.machine):
        say(f"Process {running.pid} has {plan.machine} on {running.bus}: it is asked to stop.")
        answered = ask_to_stop(running, lambda cause: say(f"It is stopping: {cause}"))
        if answered.how == "stopped":
            return _through(answered)
        unheard.append(answered)
        say(_what_became(answered))
    if wanted.bus is None:
        raise _no_bus(plan, unheard)
    for other in find(bus=wanted.bus):
        if other.machine != plan.machine:
            say(
                f"Process {other.pid} has {other.machine} on this bus: where both can have it, a stop to all nodes "
                "ends that run as well."
            )
    stop_frames(plan)  # a dialect without a stop is said before anything is opened
    return _over_the_bus(plan, wanted, wanted.bus, [one.running for one in unheard if one.how != "ended"], say)


def _through(answered: Answered) -> Stopped:
    if answered.proven:
        return Stopped(Exit.DONE, "every axis has come to rest", answered.axes, answered.running.folder)
    names = ", ".join(axis.axis for axis in answered.axes if not axis.proven) or "every axis"
    exit = Exit.LINK if answered.exit == Exit.LINK else Exit.STOPPED
    return Stopped(exit, f"not proven at rest: {names}", answered.axes, answered.running.folder)


def _what_became(answered: Answered) -> str:
    pid = answered.running.pid
    if answered.how == "ended":
        return f"Process {pid} has ended without a word about how its axes stand."
    state = "is halted (SIGSTOP or a debugger)" if answered.halted else "hangs"
    if answered.how == "hangs":
        return f"PROCESS {pid} HAS BEGUN TO STOP THE MACHINE AND {state.upper()}: nobody knows whether the axes stand."
    return f"PROCESS {pid} DOES NOT REACT, it {state}: IT HAS NOT STOPPED THE MACHINE."


def _no_bus(plan: Plan, unheard: list[Answered]) -> ChoreoError:
    if not unheard:
        others = "; ".join(f"process {one.pid} has {one.machine} on {one.bus}" for one in find())
        return RecipeError(
            f"no process of choreo's has {plan.machine} now" + (f" ({others})" if others else ""),
            rule="no-bus",
            help="To stop its nodes over a bus of your own, name it: --bus interface:channel. In danger use the "
            "machine's own emergency stop.",
        )
    last = unheard[-1]
    if last.how == "ended":
        return MachineFault(
            f"the process that had {plan.machine} has ended, and no axis is proven to stand",
            rule="not-proven",
            help=f"Name its bus, and every axis is stopped and looked at: --bus {last.running.bus}",
        )
    word = guardian_word(last.running.folder, GUARDIAN_S)
    return MachineFault(
        f"{plan.machine} is not proven to stand: process {last.running.pid} does not stop it"
        + (f". {word[0].upper()}{word[1:]}" if word else ""),
        rule="not-proven",
        help=_how_to_go_on(last.running, "Over another adapter, named with --bus, `choreo stop` goes past it. "),
    )


def _how_to_go_on(running: Running, first: str = "") -> str:
    return (
        f"{EMERGENCY} {first}`kill -9 {running.pid}` ends the process: its guardian, where it has one, then stops "
        "every node, and the adapter is free for `choreo stop` with --bus."
    )


def _over_the_bus(plan: Plan, wanted: Wanted, bus: str, deaf: list[Running], say: Say) -> Stopped:
    folder = _folder_for(plan, wanted, say)
    live = Live(word="", bus=bus, started=wanted.started)
    axes: list[AxisAfterStop] = []
    units = {axis.name: axis.unit for axis in plan.axes}

    def record(kind: str, t_ns: int, fields: dict[str, Any]) -> None:
        if kind in ("at_rest", "unproven"):
            axes.append(axis_after_stop(kind, fields, units[fields["axis"]]))
        elif kind == "operator":
            say(f"{fields['what']}: the stop goes on to its end.")
        elif kind == "stopping":
            how = "quick stop" if wanted.quick else "controlled ramp"
            say(f"Stopping every node of {plan.machine} on {bus} ({how}).")

    trace = StringIO()  # a disk that is full or slow keeps no frame waiting
    with ExitStack() as stack:
        with suppress(RecipeError):
            place = Path() if folder is None else folder.path
            stack.enter_context(announced(plan.machine, bus, place, patience_s=ANNOUNCING_S))
        try:
            link = open_live(bus, plan.bit_rate, wanted.options or {})
        except LinkLost as failure:
            raise _not_opened(failure, bus, deaf) from failure
        stack.callback(link.close)
        traced = TraceLink(link, trace, channel=slug(bus))
        with signals_post_to(link), _journal(folder, record) as journal:
            whole = replace(plan, title=f"Stop of {plan.machine}")
            outcome = run_by_hand(stop_now(whole, traced, journal, live=live, quick=wanted.quick))
        traced.close()
    if folder is not None:
        _complete(folder, trace.getvalue())
    kept = None if folder is None else folder.path
    return Stopped(outcome.exit, outcome.headline, tuple(axes), kept, outcome.trouble)


def _journal(folder: RunFolder | None, record: Callable[[str, int, dict[str, Any]], None]) -> JournalWriter:
    if folder is not None:
        with suppress(RecipeError):
            return JournalWriter(folder.journal, observer=record)
    return JournalWriter(None, observer=record)


def _complete(folder: RunFolder, trace: str) -> None:
    """Trace and figures; the stop is over, and what cannot be written is not worth an error."""
    from choreo.journal.reader import read_journal
    from choreo.report import summarise, summary_json

    with suppress(OSError, ChoreoError):
        folder.trace.write_text(trace, encoding="ascii", newline="\n")
        folder.summary.write_text(summary_json(summarise(read_journal(folder.journal))), encoding="utf-8", newline="\n")


def _not_opened(failure: LinkLost, bus: str, deaf: list[Running]) -> LinkLost:
    """The adapter cannot be opened: who has it, as far as that is known, and what is left to do."""
    holder = next((one for one in (*deaf, *find(bus=bus)) if one.pid != os.getpid() and same_bus(one.bus, bus)), None)
    told = f"NOTHING WAS SENT: {failure.headline}"
    if holder is None:
        help = f"{EMERGENCY} {failure.help} Then begin again."
    elif holder in deaf:
        word = guardian_word(holder.folder, GUARDIAN_S)
        told += f"; process {holder.pid} has it and does not react" + (f". {word[0].upper()}{word[1:]}" if word else "")
        help = _how_to_go_on(holder)
    else:
        told += f"; process {holder.pid} has it, for {holder.machine}"
        help = (
            f"{EMERGENCY} `choreo stop` with the recipe or the machine file of {holder.machine} stops that machine "
            f"and frees the adapter ({holder.folder} is its run folder). Then begin again."
        )
    return LinkLost(told, rule=failure.rule, help=help)


def _folder_for(plan: Plan, wanted: Wanted, say: Say) -> RunFolder | None:
    """A new folder always; one that cannot be had, or holds anything, is not worth a stop."""
    usual = Path("runs") / f"{slug(plan.machine)}-stopped-{wanted.stamp}"
    for path in (wanted.out, usual, *(usual.with_name(f"{usual.name}-{count}") for count in range(2, 10))):
        if path is None:
            continue
        try:
            if not path.exists() or (path.is_dir() and not any(path.iterdir())):
                return prepare_folder(path)
            why = "it holds something already"
        except RecipeError as failure:
            why = failure.headline
        except OSError as failure:
            why = failure.strerror or str(failure)
        if path is wanted.out:
            say(f"The run folder is not {path}: {why}.")
    return _somewhere(say)


def _somewhere(say: Say) -> RunFolder | None:
    from tempfile import mkdtemp

    try:
        return RunFolder(Path(mkdtemp(prefix="choreo-stopped-")))
    except OSError as failure:
        say(f"No run folder can be made ({failure.strerror}): the stop goes on without a record.")
        return None
