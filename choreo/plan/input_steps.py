"""`wait_for`, `move_until`, `set_output`: inputs and outputs by index, ways that an input may end anywhere."""

from fractions import Fraction
from math import ceil

from choreo.motion.profile import stopping_distance
from choreo.plan.asked import Asked, parts_of
from choreo.plan.model import AxisMove, MoveUntil, SetOutput, WaitFor
from choreo.plan.motion import ramps, stage, started
from choreo.plan.predict import Predicted, exactly
from choreo.plan.signals import Spread
from choreo.plan.state import Resolving, Where, default_timeout_ns
from choreo.recipe.input_steps import Awaited, MoveUntilStep, SetOutputStep, WaitForStep

#: Polls until an input is taken to read so: the one that shows it, and the one that shows that it has lasted.
LOOK_POLLS = 2
#: Exchanges of switching one output.
OUTPUT_EXCHANGES = 1
#: A computed way is kept to this part of a unit.
FINENESS = 1_000_000


def wait_for(resolving: Resolving, step: WaitForStep, where: Where) -> None:
    """How long it takes is not predicted; the timeout is a person's or a valve's, which no pace makes longer."""
    index, on = _awaited(resolving, step.wait_for)
    looked_ns = _look_ns(resolving, index)
    timeout_ns = default_timeout_ns(looked_ns) if step.timeout is None else resolving.amounts.time_ns(step.timeout)
    label = f"wait for {step.wait_for.input} {step.wait_for.level}"
    resolving.emit(step, where, WaitFor(index, on), exactly(looked_ns), label, timeout_ns=timeout_ns)


def move_until(resolving: Resolving, step: MoveUntilStep, where: Where) -> None:
    """Half of the way is expected, because nobody knows where the input comes; the timeout counts with all of it."""
    given = step.move_until
    index, on = _awaited(resolving, given.until)
    name = next(iter(given.by_group))
    label = f"move {name} until {given.until.input} {given.until.level}"
    asked = resolving.once(step, lambda: _asked(resolving, step, label))
    moves = stage(resolving, step, asked, 0)
    leaves = tuple(_leaves(resolving, one) for one in moves)
    action = MoveUntil(moves, index, on, _between(resolving, step, moves), leaves)
    way_ns = max((resolving.times.motion(one.axis, one.duration_ns) for one in moves), default=0)
    seen_ns = _look_ns(resolving, index) + resolving.times.standstill
    before_ns = _look_ns(resolving, index) + resolving.times.until_trigger(moves)
    predicted = Predicted(before_ns + way_ns // 2 + seen_ns, before_ns + way_ns + 2 * seen_ns)
    resolving.emit(step, where, action, predicted, label)
    for one, spread in zip(moves, leaves, strict=True):
        started(resolving, one, resolving.clock_ns)
        resolving.states[one.axis].spread = spread


def set_output(resolving: Resolving, step: SetOutputStep, where: Where) -> None:
    """One after the other, as they stand."""
    index = {one.name: one for one in resolving.machine.outputs}
    chosen = [(index[str(name)], level == "on") for name, level in step.set_output.items()]
    predicted = exactly(sum(resolving.times.exchanges((one.axis,), OUTPUT_EXCHANGES) for one, _ in chosen))
    label = "set " + ", ".join(f"{name} {level}" for name, level in step.set_output.items())
    resolving.emit(step, where, SetOutput(tuple((one.index, on) for one, on in chosen)), predicted, label)


def overrun(resolving: Resolving, one: AxisMove) -> Fraction:
    """
    How far beyond its target an axis may come to rest when it is stopped at the last moment: what the ramp of the stop
    needs more than the move's own, 0 where it is at least as steep.
    """
    dialect = resolving.machine.dialect(one.axis)
    acceleration, jerk = ramps(resolving, one.axis)
    stop = resolving.states[one.axis].real.get(dialect.stop_ramp, acceleration)
    if stop >= acceleration:
        return Fraction(0)
    speed = one.profile.peak_velocity
    more = stopping_distance(speed, stop, jerk) - stopping_distance(speed, acceleration, jerk)
    return Fraction(ceil(more * FINENESS), FINENESS)


def _awaited(resolving: Resolving, awaited: Awaited) -> tuple[int, bool]:
    index = next(one.index for one in resolving.machine.inputs if one.name == awaited.input)
    return index, awaited.level == "on"


def _look_ns(resolving: Resolving, index: int) -> int:
    """Until an input that reads so is taken to."""
    one = resolving.machine.inputs[index]
    times = resolving.times
    return LOOK_POLLS * times.poll_ns + times.exchanges((one.axis,)) + one.debounce_ns


def _asked(resolving: Resolving, step: MoveUntilStep, label: str) -> Asked:
    by_group = {}
    for name, way in step.move_until.by_group.items():
        amount = way.by if way.to is None else way.to
        assert amount is not None  # the recipe was read so
        by_group[name] = (amount, way.to is not None, way.speed)
    parts = parts_of(resolving, by_group, step.speed)
    return Asked((tuple(parts.values()),), {}, 0, together=False, label=label)


def _between(
    resolving: Resolving, step: MoveUntilStep, moves: tuple[AxisMove, ...]
) -> tuple[Fraction, Fraction] | None:
    given = step.move_until.between
    if given is None or not moves:
        return None
    axis = resolving.machine.axes[moves[0].axis]
    low, high = (resolving.amounts.travel(end, axis.name, axis.unit) for end in given)
    if low is None or high is None:
        return None
    if low >= high:
        headline = f"`between` begins at {given[0].text} and ends at {given[1].text}, which is nothing"
        resolving.findings.add("empty-range", headline, given[1].span, help="Write the lower end first.")
        return None
    return low, high


def _leaves(resolving: Resolving, one: AxisMove) -> Spread:
    """
    How far from the target it may come to rest: anywhere between where it may begin and the target, and beyond the
    target by what its stop may overrun, on the side to which it may be on its way.
    """
    way = one.target - one.start
    begins = [off - way for off in one.start_spread]  # from the target
    low, high = one.target_spread
    more = overrun(resolving, one)
    ways = [end - begin for begin, end in zip(begins, one.target_spread, strict=True)]
    below, above = (more if min(ways) < 0 else 0), (more if max(ways) > 0 else 0)
    return min(begins[0], low - below), max(begins[1], high + above)
