"""
The whole of a run on a real bus: the adapter, who guards it, the journal, the session, and what is left in the folder.

Whoever attends is told when the link is open; from then on every signal and every key goes to the session, and every
path out goes through stopping.
"""

from collections.abc import Awaitable, Callable, Mapping, Sequence
from contextlib import AbstractContextManager, ExitStack, suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Protocol

from choreo.errors import ChoreoError, Exit, LinkLost
from choreo.journal import JournalWriter, RunFolder, read_journal, slug
from choreo.link.guardian import guarded_by
from choreo.link.live import LiveLink, open_live
from choreo.link.port import Link
from choreo.link.supervise import run_live
from choreo.link.trace import TraceLink, trace_file
from choreo.live.listening import listen
from choreo.live.steady import go_first, steady
from choreo.live.stops import numbered, stop_frames
from choreo.plan.model import Plan
from choreo.report import Summary, summarise, summary_json
from choreo.run.executor import Outcome, perform
from choreo.run.live import Live
from choreo.running import announced

Task = Callable[[], Awaitable[None]]


class Attendant(Protocol):
    """Whoever is with the machine: a screen and a keyboard, or a test."""

    def opened(
        self, link: LiveLink, folder: RunFolder, unguarded: str, delayed: str
    ) -> AbstractContextManager[Sequence[Task]]:
        """
        The adapter is open and nothing was sent. `unguarded` says why nobody stops the machine if this process is
        killed, `delayed` why other programs of this computer may hold it up; empty where that is not so. What is
        yielded runs beside the session.
        """

    def record(self, kind: str, t_ns: int, fields: dict[str, Any]) -> None:
        """Gets every record of the journal, in the session's own thread: never waits, never raises."""


@dataclass(frozen=True, slots=True)
class LiveResult:
    """How it ended, and its figures; None where the journal was taken away meanwhile."""

    outcome: Outcome
    folder: RunFolder
    summary: Summary | None


def run_on_bus(
    plan: Plan, bus: str, options: Mapping[str, str], folder: RunFolder, live: Live, attendant: Attendant
) -> LiveResult:
    """
    Carry the plan out on a real bus. Nothing is sent before `attendant.opened` has yielded; an exception from it leaves
    the bus untouched.

    Raises:
        RecipeError: the bus is none, somebody else commands this machine, or another process has it.
        LinkLost: the adapter cannot be opened, or is lost before anything was sent.
        OperatorStop: somebody asked for the stop before anything was sent.
    """
    with ExitStack() as stack:
        stack.enter_context(announced(plan.machine, bus, folder.path))
        link = open_live(bus, plan.bit_rate, options)
        stack.callback(link.close)
        run_live(lambda: listen(link, plan), link)  # what is refused here must not wake a guardian
        guardian = stack.enter_context(guarded_by(link, stop_frames(plan), folder.guardian))
        unguarded = _unguarded(plan, guardian.trouble)
        delayed = stack.enter_context(steady())
        trace = stack.enter_context(trace_file(folder.trace))
        tasks = stack.enter_context(attendant.opened(link, folder, unguarded, delayed))
        traced = TraceLink(link, trace)
        beating = replace(live, beat=guardian.beat)

        async def whole() -> Outcome:
            if not delayed:
                go_first()  # in the session's own thread
            with JournalWriter(folder.journal, observer=attendant.record) as journal:
                outcome = await perform(plan, traced, journal, mode="live", seed=None, live=beating)
                await _rest_leaves(traced)
                return outcome

        outcome = run_live(whole, link, *tasks)
        if outcome.exit is Exit.LINK:  # whatever kept the session's own stop may let this one through
            guardian.alarm(helpless=True)
        guardian.farewell()  # before anything else that may take its time: the screen, the link's end
        traced.close()
    return LiveResult(outcome, folder, _summary(folder))


def _summary(folder: RunFolder) -> Summary | None:
    """The run's figures, kept in its folder. How it ended is said although a disk is full or the folder gone."""
    try:
        summary = summarise(read_journal(folder.journal))
    except ChoreoError:
        return None
    with suppress(OSError):
        folder.summary.write_text(summary_json(summary), encoding="utf-8", newline="\n")
    return summary


#: What was handed over at the very end has left by then, on any adapter that still works.
LEAVE_NS = 200_000_000


async def _rest_leaves(link: Link) -> None:
    """Wait for what was handed over last: the guardian is not sent away before it has left."""
    until = link.now_ns() + LEAVE_NS
    while link.unsent() and link.now_ns() < until:
        try:
            await link.receive_until(link.now_ns() + 1_000_000)
        except LinkLost:
            return


def _unguarded(plan: Plan, trouble: str) -> str:
    if trouble:
        return trouble
    names = numbered(plan)
    return f"the stop of the dialect {', '.join(names)} is numbered and cannot be made beforehand" if names else ""


def default_folder(plan: Plan, stamp: str) -> Path:
    """Where a real run leaves its files: never in the folder of an earlier one."""
    return Path("runs") / f"{slug(plan.title)}-{stamp}"
