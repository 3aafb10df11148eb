"""
The whole of a run: from the first record of the journal to the last.

Whatever happens in between, an end without success goes through stopping, and the journal says how each axis ended.
"""

import sys
from collections.abc import Sequence
from dataclasses import dataclass, field

import choreo
from choreo.drive.families import make_drive
from choreo.errors import ChoreoError, Exit, InternalError
from choreo.journal.writer import JournalWriter
from choreo.link.port import Link
from choreo.link.simulated import run_by_hand
from choreo.plan.conduct import WINDOW
from choreo.plan.model import Plan, StepPlan
from choreo.run.axes import Axis
from choreo.run.context import Poller, Round, Run
from choreo.run.guard import Guard
from choreo.run.log import MS
from choreo.run.opening import clear_loads
from choreo.run.rests import Rest
from choreo.run.session import Session
from choreo.run.steps import AFTER_FAILURE, BEFORE_OPENING, STEPS
from choreo.run.steps.power import disable_axes
from choreo.run.stopping import all_left, bring_to_rest, record_rest, tell_all
from choreo.run.watchers import PairWatch, Watch

#: Every node must have been read once by then, before the first step.
FIRST_READING_NS = 1_000 * MS
OPENING_NS = 2_000 * MS


@dataclass(frozen=True, slots=True)
class Outcome:
    """How a run ended. `step` and `axis` name the place where it did not succeed; `rests` how each axis was left."""

    exit: Exit
    headline: str
    taken_ns: int
    rule: str = ""
    step: StepPlan | None = None
    axis: str | None = None
    help: str = ""
    rests: tuple[Rest, ...] = field(default=())
    trouble: BaseException | None = None  # an unforeseen exception, for the crash report


def execute(plan: Plan, link: Link, journal: JournalWriter, *, mode: str = "dry-run", seed: int = 0) -> Outcome:
    """A run on a link whose `receive_until` never suspends, driven by hand."""
    return run_by_hand(perform(plan, link, journal, mode=mode, seed=seed))


async def perform(plan: Plan, link: Link, journal: JournalWriter, *, mode: str, seed: int) -> Outcome:
    """Carry out the plan. Never raises for anything that the recipe, the machine, the link or choreo itself does."""
    run = prepare(plan, link, journal)
    record_run(run, mode, seed)
    cause: ChoreoError | None = None
    trouble: BaseException | None = None
    try:
        await _begin(run)
        for step in (*plan.steps, *plan.closing):
            await carry_out(run, step)
        if run.session.log.fault is not None:  # it came with the very last turn
            raise run.session.log.fault
    except ChoreoError as fault:
        cause = fault
    except Exception as fault:  # noqa: BLE001  whatever it is, the axes are brought to rest first
        trouble = fault
        cause = InternalError(f"a bug in choreo: {type(fault).__name__}: {fault}", rule="internal")
    if cause is None:
        return _ended(run, Outcome(Exit.DONE, f"{plan.title}: done", run.session.log.since_start()), "done")
    return await _stopped(run, cause, trouble)


def prepare(plan: Plan, link: Link, journal: JournalWriter) -> Run:
    """Put a run together: drives, lanes, watchers, guard, pollers. Nothing is sent."""
    guard = Guard(
        plan.dialects,
        [(limits, axis.dialect) for limits, axis in zip(plan.node_limits, plan.axes, strict=True)],
    )
    session = Session(link, guard, journal, [axis.name for axis in plan.axes])
    axes = []
    for planned in plan.axes:
        dialect = plan.dialects[planned.dialect]
        drive = make_drive(dialect, planned.node)
        low, high = dialect.position_range
        axes.append(Axis(planned, drive, high - low + 1))
        session.traffic.add_lane(drive.lane, planned.index, planned.reply_timeout_ns, drive.echo_ask)
    pairs = tuple(PairWatch(pair, axes[pair.axes[0]], axes[pair.axes[1]]) for pair in plan.pairs)
    watch = Watch(session, axes, pairs, plan.dialects)
    for axis in axes:
        for id in axis.drive.event_ids:
            session.traffic.listen(id, lambda frame, axis=axis: watch.hear(axis, frame))  # type: ignore[misc]
    pollers = tuple(Poller(session, watch, axis) for axis in axes)
    return Run(plan, session, tuple(axes), pairs, watch, pollers)


async def _begin(run: Run) -> None:
    """Start polling, and read every axis once before anything else happens."""
    rounds = _rounds(run)
    now, apart = run.session.now(), run.plan.poll_ns // len(rounds)
    for place, pollers in enumerate(rounds):
        first_ns = now + place * apart
        run.session.at(first_ns, Round(pollers, first_ns, run.plan.poll_ns).due)
    with run.session.within(FIRST_READING_NS, "the first reading of every axis"):
        await run.session.until(lambda: all(axis.samples for axis in run.axes))
    for axis in run.axes:
        axis.anchor_counts = axis.counts
    for pair in run.pairs:
        pair.known = True


def _rounds(run: Run) -> list[list[Poller]]:
    """Polls go out in rounds of as many as the window lets out at once, spread over the period."""
    partners = {pair.first.name: pair.second for pair in run.pairs}
    seconds = {pair.second.name for pair in run.pairs}
    rounds: list[list[Poller]] = [[]]
    for axis in run.axes:
        if axis.name in seconds:
            continue
        partner = partners.get(axis.name)
        together = [axis] if partner is None else [axis, partner]
        if len(rounds[-1]) + len(together) > WINDOW:
            rounds.append([])
        rounds[-1] += [run.pollers[each.plan.index] for each in together]
    return rounds


async def carry_out(run: Run, step: StepPlan) -> None:
    """One step within its limit, with its records."""
    session = run.session
    run.step = step
    session.log.step = step.id
    if not run.opened and not isinstance(step.action, BEFORE_OPENING):
        run.opened = True
        with session.within(OPENING_NS, "clearing the drives' loads"):
            await clear_loads(run)
    began, polls = session.now(), sum(axis.polls for axis in run.axes)
    lanes = session.traffic.lanes()
    for lane in lanes:
        lane.worst_ns = 0
    session.record("step_begin", step=step.id)
    outcome = "failed"
    try:
        with session.within(step.timeout_ns, f"step {step.path}, {step.label or step.verb},"):
            await STEPS[type(step.action)](run, step.action)
        outcome = "done"
    finally:
        session.record(
            "step_end",
            step=step.id,
            outcome=outcome,
            taken_ns=session.now() - began,
            polls=sum(axis.polls for axis in run.axes) - polls,
            worst_reply_ns=max(lane.worst_ns for lane in lanes),
        )


async def _stopped(run: Run, cause: ChoreoError, trouble: BaseException | None) -> Outcome:
    """Stopping, what closing may still do, the record of each axis, the end."""
    rests: list[Rest] = []
    try:
        rests = await bring_to_rest(run, cause)
        await _close_after_failure(run, rests)
    except Exception as fault:  # noqa: BLE001  the stop has been sent; what is left is to say so
        trouble = trouble or fault
        await _stop_once_more(run, fault)
    record_rest(run, rests or [Rest(axis, why="stopping itself failed") for axis in run.axes])
    outcome = Outcome(
        cause.exit if trouble is None else Exit.INTERNAL,
        cause.headline,
        run.session.log.since_start(),
        cause.rule,
        run.step,
        cause.axis,
        cause.help,
        tuple(rests),
        trouble,
    )
    return _ended(run, outcome, "stopped")


async def _stop_once_more(run: Run, fault: Exception) -> None:
    """Stopping itself has failed: what is left is a stop to all that has really left, and to say so."""
    run.session.begin_stopping()
    tell_all(run, quick=True)
    run.session.record("finding", rule="internal", level="error", headline=f"a bug in choreo while stopping: {fault!r}")
    try:
        await all_left(run)
    except Exception as again:  # noqa: BLE001  the journal must have its end
        run.session.record("finding", rule="internal", level="error", headline=f"and again: {again!r}")


async def _close_after_failure(run: Run, rests: Sequence[Rest]) -> None:
    """`closing`'s verbs that move nothing, and only for axes that are proved to stand (P17)."""
    if run.session.adapter_lost:
        return
    for step in run.plan.closing:
        if not isinstance(step.action, AFTER_FAILURE):
            continue
        for rest in rests:
            if rest.axis.plan.index in step.action.axes and _may_lose_power(run, rest, rests):
                try:
                    await disable_axes(run, [rest.axis])
                    rest.energised = False
                except ChoreoError as failure:
                    run.session.record(
                        "command", axis=rest.axis.name, verb="disable", frame="", outcome=failure.headline
                    )


def _may_lose_power(run: Run, rest: Rest, rests: Sequence[Rest]) -> bool:
    """An axis that stands; of a pair both sides, because one without power is dragged along by the other."""
    pair = next((pair for pair in run.pairs if rest.axis in (pair.first, pair.second)), None)
    sides = (rest.axis,) if pair is None else (pair.first, pair.second)
    return all(other.proven for other in rests if other.axis in sides)


def _ended(run: Run, outcome: Outcome, how: str) -> Outcome:
    run.session.record("end", outcome=how, exit=int(outcome.exit), taken_ns=outcome.taken_ns)
    run.session.log.journal.sync()
    return outcome


def record_run(run: Run, mode: str, seed: int) -> None:
    """The first line of the journal: everything that decided this run."""
    plan = run.plan
    run.session.record(
        "run",
        journal=1,
        choreo=choreo.__version__,
        mode=mode,
        title=plan.title,
        machine=plan.machine,
        seed=seed,
        pace=plan.pace,
        poll_ns=plan.poll_ns,
        bit_rate=plan.bit_rate,
        simulated=plan.simulated,
        hashes=dict(plan.hashes),
        parameters=dict(plan.parameters),
        axes=[
            {
                "name": axis.name,
                "node": axis.node,
                "unit": axis.unit,
                "counts_per_unit": axis.counts_per_unit,
                "pair": axis.pair,
                "lag_ns": axis.lag_ns,
                "noise_counts": axis.noise_counts,
            }
            for axis in plan.axes
        ],
        pairs=[
            {"name": pair.name, "axes": list(pair.axes), "trip": pair.trip, "structural": pair.structural}
            for pair in plan.pairs
        ],
        limits={
            axis.name: {
                "travel": list(axis.limits.travel),
                "speed": axis.limits.speed,
                "acceleration": axis.limits.acceleration,
                "jerk": axis.limits.jerk,
                "quick_stop": axis.limits.quick_stop,
                "tracking": axis.limits.tracking,
            }
            for axis in plan.axes
        },
        steps=[
            {
                "id": step.id,
                "path": step.path,
                "verb": step.verb,
                "label": step.label,
                "predicted_ns": step.predicted_ns,
                "timeout_ns": step.timeout_ns,
                "place": str(step.place),
            }
            for step in (*plan.steps, *plan.closing)
        ],
        python=".".join(map(str, sys.version_info[:3])) if mode == "live" else None,
    )
