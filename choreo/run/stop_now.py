"""
A stop without a run: whoever calls has just opened the bus, and nobody knows what the machine is doing.

The very first frames are the stop; nothing is read before. While the axes slow down, each drive is asked for what
stopping counts with: the ramps that it really has, its home, its power. The rest is stopping as every run has it, loads
cleared or named included: whoever loaded them, the next start trigger would set them off (practice.md P2, P13 to P17,
common practice, no source).
"""

from functools import partial

from choreo.drive.conversation import Conversation
from choreo.drive.verbs import Status
from choreo.errors import ChoreoError, Exit, OperatorStop
from choreo.journal.writer import JournalWriter
from choreo.link.port import Link
from choreo.plan.model import Plan
from choreo.run.axes import Axis
from choreo.run.context import STOP_AGAIN_NS, Run
from choreo.run.executor import Outcome, ended, prepare, start_polling, stop_once_more
from choreo.run.first_record import record_run
from choreo.run.live import Live
from choreo.run.rests import Rest, note_silent
from choreo.run.steps.settings import note_ramp
from choreo.run.stopping import bring_to_rest, record_rest
from choreo.wire.dialect import Dialect
from choreo.wire.words import Setting


async def stop_now(plan: Plan, link: Link, journal: JournalWriter, *, live: Live, quick: bool) -> Outcome:
    """
    Stop every node of the machine, `quick` or with the controlled ramp, and prove that each axis stands.

    Never raises for anything that the machine, the link or choreo itself does. The exit code is 0 when every axis is
    proven to stand, 4 when the adapter is lost or no node answers, 3 when an axis is not proven.
    """
    run = prepare(plan, link, journal)
    record_run(run, "live", None, live)
    rests: list[Rest] = []
    trouble: BaseException | None = None
    try:
        start_polling(run)  # from the first turn on: the stop is handed over before
        cause = OperatorStop("every node is stopped at an operator's command, without a run", rule="stop-command")
        rests = await bring_to_rest(run, cause, quick=quick, ask=partial(_find_out, quick=quick))
        await _doubt_what_never_changed(run, rests)
        for rest in rests:
            _say_how(run, rest)
    except Exception as fault:  # noqa: BLE001  the stop has been sent; what is left is to say so
        trouble = fault
        await stop_once_more(run, fault)
    rests = rests or [Rest(axis, why="stopping itself failed") for axis in run.axes]
    record_rest(run, rests)
    exit, headline = _judged(run, rests, trouble)
    outcome = Outcome(exit, headline, run.session.log.since_start(), rests=tuple(rests), trouble=trouble)
    return ended(run, outcome, "stopped")


async def _find_out(run: Run, rests: list[Rest], *, quick: bool) -> None:
    """Ask every drive at once; meanwhile each that is not seen to stand is told again (P13)."""
    session, since, over = run.session, run.session.now(), list[bool]()

    def tell_again(now: int) -> int | None:
        if over:
            return None
        for axis in run.axes:
            if not axis.stands(since, axis.plan.noise_counts):
                session.traffic.tell(axis.drive.quick_stop() if quick else axis.drive.stop(), axis.plan.index)
        return now + STOP_AGAIN_NS

    session.at(since + STOP_AGAIN_NS, tell_again)
    try:
        await session.run(
            *((rest.axis.plan.index, _told(run, rest, run.plan.dialects[rest.axis.plan.dialect])) for rest in rests)
        )
    finally:
        over.append(True)


def _told(run: Run, rest: Rest, dialect: Dialect) -> Conversation[None]:
    """What one drive says of itself. Where it does not, its ramps count as unknown."""
    axis = rest.axis
    rest.ramp_known = False
    if dialect.profile == "trapezoid" and Setting.JERK not in dialect.settings:
        axis.jerk = None
    try:
        state: Status = yield from axis.drive.status()
        axis.enabled, axis.home_valid = state.enabled, state.homed is True
        if state.brake_applied is not None:
            axis.braked = state.brake_applied
        for setting in dict.fromkeys((dialect.stop_ramp, dialect.quick_stop_ramp, Setting.JERK)):
            if setting in dialect.settings:
                raw = yield from axis.drive.read_setting(setting)
                if _is_value(dialect, setting, raw):
                    note_ramp(run, axis, setting, raw)
        rest.ramp_known = True
    except ChoreoError:
        return


def _is_value(dialect: Dialect, setting: Setting, raw: int) -> bool:
    """A raw value that stands for something else, such as no limit, is no ramp (P24)."""
    scale = dialect.settings[setting]
    return raw not in (scale.special or {}) and scale.from_raw(raw) > 0


async def _doubt_what_never_changed(run: Run, rests: list[Rest]) -> None:
    """A reading without so much as noise may only repeat itself (P10): what does the drive say?"""
    for rest in rests:
        if not rest.proven or rest.axis.alive:
            continue
        try:
            (state,) = await run.states([rest.axis])
        except ChoreoError:
            continue  # who has fallen silent is said with the others
        if state.moving:
            rest.proven, rest.why = False, "its reading does not change, but its drive says that it moves"


def _say_how(run: Run, rest: Rest) -> None:
    if run.session.traffic.lane(rest.axis.plan.index).silent or run.session.adapter_lost:
        note_silent(rest)
    elif rest.proven and not _moved(rest.axis):
        rest.why += "; it stood when it was first read"


def _moved(axis: Axis) -> bool:
    return abs(axis.counts - axis.first_counts) > axis.plan.noise_counts


def _judged(run: Run, rests: list[Rest], trouble: BaseException | None) -> tuple[Exit, str]:
    if trouble is not None:
        return Exit.INTERNAL, "a bug in choreo while stopping: no axis is proven to stand"
    unproven = [rest.axis.name for rest in rests if not rest.proven]
    if not unproven:
        return Exit.DONE, "every axis has come to rest"
    if run.session.adapter_lost:
        return Exit.LINK, "the adapter was lost before every axis was proven at rest"
    if all(lane.silent for lane in run.session.traffic.lanes()):
        return Exit.LINK, "no node answers: power or bus lost, no axis is proven at rest"
    return Exit.STOPPED, f"not proven at rest: {', '.join(unproven)}"
