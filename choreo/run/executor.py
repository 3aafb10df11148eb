"""
The whole of a run: from the first record of the journal to the last.

Whatever happens in between, an end without success goes through stopping, and the journal says how each axis ended.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import partial

from choreo.drive.counters import Counters
from choreo.drive.families import make_drive
from choreo.errors import ChoreoError, Exit, InternalError
from choreo.journal.writer import JournalWriter
from choreo.link.port import HearsSteps, Link
from choreo.link.simulated import run_by_hand
from choreo.plan.conduct import WINDOW
from choreo.plan.model import Plan, StepPlan
from choreo.run.axes import Axis
from choreo.run.context import Operator, Poller, Round, Run
from choreo.run.first_record import record_run
from choreo.run.guard import Guard
from choreo.run.live import Live
from choreo.run.log import MS
from choreo.run.prepare.after_stop import take_up
from choreo.run.prepare.opening import clear_loads
from choreo.run.prepare.ready import beat_on, get_ready
from choreo.run.prepare.scales import compare_scales
from choreo.run.prepare.speeds import set_speeds_back
from choreo.run.requests.pacing import pace_of
from choreo.run.requests.silence import cause_in_common
from choreo.run.rests import Rest, note_not_held, note_silent
from choreo.run.scopes import end_all, go_on_in
from choreo.run.session import Session
from choreo.run.steps import AFTER_FAILURE, BEFORE_COMPARING, BEFORE_OPENING, MOVES_NOTHING, STEPS
from choreo.run.steps.asking import YES, ask
from choreo.run.steps.inputs import look_before
from choreo.run.steps.moving import about_to
from choreo.run.steps.power import disable_axes
from choreo.run.stopping import all_left, bring_to_rest, record_rest, tell_all
from choreo.run.watch.feeding import keep_fed
from choreo.run.watch.inputs import Inputs
from choreo.run.watch.meter import measure
from choreo.run.watch.watchers import PairWatch, Watch

#: Every node must have been read once by then, before the first step.
FIRST_READING_NS = 1_000 * MS
OPENING_NS = 2_000 * MS
#: What single moves have set is back by then: the axes have come to rest before.
SETTING_BACK_NS = 10_000 * MS
#: What is asked of each drive then, polls between them included.
OPENING_EXCHANGES = 8


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


def says_yes(question: str) -> str:
    """An operator of rehearsals, who must be asked for: nobody answers for a person unless told to."""
    return YES


def execute(
    plan: Plan,
    link: Link,
    journal: JournalWriter,
    *,
    mode: str = "dry-run",
    seed: int = 0,
    operator: Operator | None = None,
) -> Outcome:
    """
    A run on a link whose `receive_until` never suspends, driven by hand. `operator` answers what the recipe asks a
    person; with None the answers must come as events of the link.
    """
    return run_by_hand(perform(plan, link, journal, mode=mode, seed=seed, operator=operator))


async def perform(
    plan: Plan,
    link: Link,
    journal: JournalWriter,
    *,
    mode: str,
    seed: int | None,
    operator: Operator | None = None,
    live: Live | None = None,
) -> Outcome:
    """
    Carry out the plan. Never raises for anything that the recipe, the machine, the link or choreo itself does. `live`
    is what a run on a real bus has besides.
    """
    run = prepare(plan, link, journal)
    run.operator = operator
    record_run(run, mode, seed, live)
    if live is not None:
        run.single_step = live.single_step
        beat_on(run, live)
        measure(run)
    cause: ChoreoError | None = None
    trouble: BaseException | None = None
    try:
        await _begin(run)
        if live is not None:
            await get_ready(run, live, _patience_ns(run))
        for step in (*plan.steps, *plan.closing):
            await carry_out(run, step)
        with run.session.within(SETTING_BACK_NS, "setting back what was set for single moves"):
            await set_speeds_back(run, run.axes)
        if run.session.log.fault is not None:  # it came with the very last turn
            raise run.session.log.fault
    except ChoreoError as fault:
        cause = fault
    except Exception as fault:  # noqa: BLE001  whatever it is, the axes are brought to rest first
        trouble = fault
        cause = InternalError(f"a bug in choreo: {type(fault).__name__}: {fault}", rule="internal")
    if cause is None:
        return ended(run, Outcome(Exit.DONE, f"{plan.title}: done", run.session.log.since_start()), "done")
    return await _stopped(run, cause, trouble)


def prepare(plan: Plan, link: Link, journal: JournalWriter) -> Run:
    """Put a run together: drives, lanes, watchers, guard, pollers. Nothing is sent."""
    guard = Guard(
        plan.dialects,
        [(limits, axis.dialect) for limits, axis in zip(plan.node_limits, plan.axes, strict=True)],
    )
    session = Session(link, guard, journal, [axis.name for axis in plan.axes])
    axes = []
    counters, paces = Counters(), {name: pace_of(dialect.timing) for name, dialect in plan.dialects.items()}
    for planned in plan.axes:
        dialect = plan.dialects[planned.dialect]
        drive = make_drive(dialect, planned.node, counters)
        low, high = dialect.position_range
        axes.append(Axis(planned, drive, high - low + 1))
        session.traffic.add_lane(
            drive.lane,
            planned.index,
            planned.reply_timeout_ns,
            drive.echo_ask,
            pace=paces[planned.dialect],
            own_count=drive.own_count,
            extended=dialect.extended,
        )
    pairs = tuple(PairWatch(pair, axes[pair.axes[0]], axes[pair.axes[1]]) for pair in plan.pairs)
    watch = Watch(session, axes, pairs, plan.dialects)
    for axis in axes:
        for id in axis.drive.event_ids:
            hear = partial(watch.hear, axis)
            session.traffic.listen(id, hear, axis.plan.index)
    pollers = tuple(Poller(session, watch, axis, plan.poll_ns) for axis in axes)
    inputs = _inputs(plan, session, axes)
    watch.on_inputs = inputs.take
    watch.least_apart_ns = plan.poll_ns // 2
    return Run(plan, session, tuple(axes), pairs, watch, pollers, inputs)


def _inputs(plan: Plan, session: Session, axes: Sequence[Axis]) -> Inputs:
    steps = {step.id: step for step in (*plan.steps, *plan.closing)}

    def able() -> bool:
        """Whether anything is under power, moves, or holds a move."""
        return any(axis.enabled or axis.motion is not None or axis.load_state == "loaded" for axis in axes)

    def where() -> str:
        step = steps.get(session.log.step) if session.log.step is not None else None
        return "" if step is None else f" in step {step.path}, {step.label or step.verb}"

    return Inputs(session, axes, plan.inputs, plan.demands, plan.poll_ns, able, where)


def start_polling(run: Run) -> None:
    """From the session's next turn on every axis is read, and fed where its drive wants to be."""
    rounds = _rounds(run)
    now, apart = run.session.now(), run.plan.poll_ns // len(rounds)
    for place, pollers in enumerate(rounds):
        first_ns = now + place * apart
        run.session.at(first_ns, Round(pollers, first_ns, run.plan.poll_ns).due)
    run.inputs.watch_interlocks()
    for axis in run.axes:
        dialect = run.plan.dialects[axis.plan.dialect]
        keep_fed(run.session, axis, dialect)
        run.watch.expect(axis, dialect.event_periods)


async def _begin(run: Run) -> None:
    """Start polling, and read every axis once before anything else happens."""
    start_polling(run)
    with run.session.within(FIRST_READING_NS, "the first reading of every axis"):
        await run.session.until(lambda: all(axis.samples for axis in run.axes))
    for axis in run.axes:
        axis.anchor_counts = axis.counts
    if run.plan.left:
        await take_up(run)
    for pair in run.pairs:
        pair.known = True


def _patience_ns(run: Run) -> int:
    """What a few exchanges with every drive may take; longer where drives must be spoken to slowly."""
    timings = [run.plan.dialects[axis.plan.dialect].timing for axis in run.axes]
    slow_ns = max(timing.gap_ns + max(timing.quiet.values(), default=0) for timing in timings)
    one_by_one = sum(timing.reply_within_ns for timing in timings if timing.outstanding is not None)
    return OPENING_NS + OPENING_EXCHANGES * (slow_ns + one_by_one)


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
    go_on_in(run, step.scopes)
    if not run.compared and not isinstance(step.action, BEFORE_COMPARING):
        run.compared = True
        with session.within(_patience_ns(run), "reading what the drives take for a count"):
            await compare_scales(run)
    if not run.opened and not isinstance(step.action, BEFORE_OPENING):
        run.opened = True
        with session.within(_patience_ns(run), "clearing the drives' loads"):
            await clear_loads(run)
    if run.single_step:
        await ask(run, about_to(run, step))
    began, polls = session.now(), sum(axis.polls for axis in run.axes)
    lanes = session.traffic.lanes()
    for lane in lanes:
        lane.worst_ns = 0
    if isinstance(session.link, HearsSteps):
        session.link.step_begins(step.path, step.label, step.verb)
    session.record("step_begin", step=step.id)
    outcome = "failed"
    try:
        if not isinstance(step.action, MOVES_NOTHING):
            await look_before(run)
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
    end_all(run, "failed")
    try:
        rests = await bring_to_rest(run, cause)
        cause = cause_in_common(cause, run.session.log)
        await _close_after_failure(run, rests)
        for rest in rests:
            if run.session.traffic.lane(rest.axis.plan.index).silent or run.session.adapter_lost:
                note_silent(rest)
    except Exception as fault:  # noqa: BLE001  the stop has been sent; what is left is to say so
        trouble = trouble or fault
        await stop_once_more(run, fault)
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
    return ended(run, outcome, "stopped")


async def stop_once_more(run: Run, fault: Exception) -> None:
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
                    rest.energised, rest.load = False, rest.axis.load_state
                except ChoreoError as failure:
                    note_not_held(rest)
                    run.session.record(
                        "command", axis=rest.axis.name, verb="disable", frame="", outcome=failure.headline
                    )


def _may_lose_power(run: Run, rest: Rest, rests: Sequence[Rest]) -> bool:
    """An axis that stands; of a pair both sides, because one without power is dragged along by the other."""
    pair = next((pair for pair in run.pairs if rest.axis in (pair.first, pair.second)), None)
    sides = (rest.axis,) if pair is None else (pair.first, pair.second)
    return rest.axis.brake_holds and all(other.proven for other in rests if other.axis in sides)


def ended(run: Run, outcome: Outcome, how: str) -> Outcome:
    """The last record, and the journal safely on the disk."""
    end_all(run, "done")
    run.session.record("end", outcome=how, exit=int(outcome.exit), taken_ns=outcome.taken_ns)
    run.session.log.journal.sync()
    return outcome
