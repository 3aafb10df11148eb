"""`wait_for`, `move_until` and `set_output`; and what is looked at before anything can move."""

from collections.abc import Sequence
from fractions import Fraction

from choreo.errors import ExpectationFailed
from choreo.plan.model import MoveUntil, SetOutput, WaitFor
from choreo.run.axes import Axis
from choreo.run.context import Run
from choreo.run.log import MS
from choreo.run.prepare.speeds import set_speeds_back
from choreo.run.steps.motion import load, over, planned, start
from choreo.run.watch.inputs import Signal, level_word
from choreo.run.watch.watchers import counts_at

#: What is required must be read, and have stopped flickering, within this time and twice its debounce.
LOOK_NS = 1_000 * MS
#: An axis that was told to stop must stand within this time beyond its ramp.
STOP_MARGIN_NS = 500 * MS


async def look_before(run: Run) -> None:
    """
    Before a step that can move something: what is required, the first time; every interlock, each time.

    Raises:
        ExpectationFailed: an input does not read as the recipe requires.
        MachineFault: an interlock is not on, or an input cannot be read.
    """
    inputs = run.inputs
    demanded = inputs.demands
    if not inputs.looked:
        inputs.looked = True
        for index, on in demanded.required:
            signal = inputs.signals[index]
            await _read(run, signal)
            if signal.on is not on:
                raise _not_as_required(run, signal, on)
    for index in demanded.interlocks:
        signal = inputs.signals[index]
        if not signal.on:
            await _read(run, signal, must=False)
        if not signal.on:
            raise inputs.interlock_fault(signal, f"is {signal.word}: nothing may move")


async def _read(run: Run, signal: Signal, *, must: bool = True) -> None:
    """Read an input anew. Without `must` one that the drive refuses to read is left unknown."""
    index = signal.plan.index
    with (
        run.inputs.watching(index),
        run.session.within(LOOK_NS + 2 * signal.plan.debounce_ns, f"the reading of {signal.plan.name}"),
    ):
        await run.inputs.fresh(index, must=must)


def _not_as_required(run: Run, signal: Signal, on: bool) -> ExpectationFailed:
    axis = run.axes[signal.plan.axis]
    return ExpectationFailed(
        f"{signal.plan.name} ({signal.plan.bit} of {axis.name}) is {signal.word}; the recipe requires that it is "
        f"{level_word(on)} before anything can move",
        rule="requires",
        axis=axis.name,
        node=axis.plan.node,
        help="Nothing was put under power and nothing has moved. Bring the machine into that state, and start again.",
    )


async def wait_for(run: Run, action: WaitFor) -> None:
    """Wait until the input reads so. The step's timeout ends it otherwise."""
    inputs, began = run.inputs, run.session.now()
    with inputs.watching(action.input):
        await inputs.until(action.input, lambda signal: signal.asked_ns >= began and signal.on is action.on)
    signal = inputs.signals[action.input]
    run.session.record("awaited", input=signal.plan.name, level=signal.word, after_ns=run.session.now() - began)


async def set_output(run: Run, action: SetOutput) -> None:
    """Switch one after the other. What is not answered is not known any more."""
    for index, on in action.values:
        output = run.plan.outputs[index]
        run.outputs[index] = None
        await run.session.run((output.axis, run.axes[output.axis].drive.set_output(output.number, on)))
        run.outputs[index] = on
        run.session.record("output", name=output.name, axis=run.axes[output.axis].name, level=level_word(on))


async def move_until(run: Run, action: MoveUntil) -> None:
    """
    Go until the input reads so, and stop there.

    Raises:
        ExpectationFailed: it reads so before anything has moved, it does not on the whole way, or it was seen
            elsewhere than the recipe says. The axes stand then.
        MachineFault: anything that may happen to a move; an input that cannot be read.
    """
    axes = run.pick(one.axis for one in action.moves)
    with run.inputs.watching(action.input):
        await run.inputs.fresh(action.input)
        signal = run.inputs.signals[action.input]
        if signal.on is action.on:
            raise _failed(signal, axes, f"is {signal.word} already before {_names(axes)} has moved", "until-already")
        seeing = _Seeing(run, action, axes)
        run.inputs.edges.append(seeing.edge)
        try:
            reached = await _go(run, action, axes)
        finally:
            run.inputs.edges.remove(seeing.edge)
    if reached:
        await _stop(run, action, axes)
    else:
        await run.standstill(axes, STOP_MARGIN_NS)
    await set_speeds_back(run, axes)
    _count_from_here(action, axes)
    seeing.record(reached)
    if not reached:
        what = f"did not come {level_word(action.on)} on the way of {_names(axes)}"
        raise _failed(signal, axes, what, "until-not-reached")
    seeing.look_between()


async def _go(run: Run, action: MoveUntil, axes: Sequence[Axis]) -> bool:
    """Load, start, and wait for the input or the end of the way; whether it was the input."""
    parts = [planned(run, part) for part in action.moves]
    await load(run, parts)
    await start(run, parts)
    signal = run.inputs.signals[action.input]
    await run.inputs.until(action.input, lambda signal: signal.on is action.on or all(over(axis) for axis in axes))
    if signal.on is not action.on:  # it may have come at the very end
        await run.inputs.fresh(action.input)
    return signal.on is action.on


async def _stop(run: Run, action: MoveUntil, axes: Sequence[Axis]) -> None:
    """
    A controlled stop. Two sides are stopped by one frame for all, where that stops nothing else; else by one each,
    right behind each other.
    """
    others = [axis for axis in run.axes if axis not in axes]
    if len(axes) > 1 and all(axis.motion is None and axis.load_state == "empty" for axis in others):
        run.session.traffic.tell(axes[0].drive.stop_all(), None)
    ramps = []
    for one, axis in zip(action.moves, axes, strict=True):
        steady = float(axis.stop_ramp)
        rise = steady / float(axis.jerk) if axis.jerk else 0.0
        ramps.append(float(one.speed) / steady + 2 * rise)
    await run.stop(axes, round(max(ramps) * 1e9) + STOP_MARGIN_NS)


def _count_from_here(action: MoveUntil, axes: Sequence[Axis]) -> None:
    """What comes next counts from where the axes stand; the sides of a pair from the middle, so they end square."""
    off = [
        Fraction(axis.counts - axis.target_counts(one.target)) / axis.plan.counts_per_unit
        for one, axis in zip(action.moves, axes, strict=True)
    ]
    for axis in axes:
        axis.off = sum(off, Fraction(0)) / len(off)


class _Seeing:
    """Where the axes were when the input was first read so."""

    def __init__(self, run: Run, action: MoveUntil, axes: Sequence[Axis]) -> None:
        self.run = run
        self.action = action
        self.axes = axes
        self.signal = run.inputs.signals[action.input]
        self.places: list[tuple[float, float]] = []

    def edge(self, index: int) -> None:
        """The raw reading of an input has changed."""
        if index != self.action.input or self.signal.raw is not self.action.on:
            return
        asked, arrived = self.signal.since
        before = asked if self.signal.before_ns is None else self.signal.before_ns
        self.places = []
        for axis in self.axes:
            counts = counts_at(axis, (asked + arrived) // 2) if axis.readings else axis.counts
            gone = abs(axis.speed() / axis.scale) * (arrived - before) / 1e9
            self.places.append((axis.position(counts), gone))

    def record(self, reached: bool) -> None:
        """One record an axis."""
        for place, axis in enumerate(self.axes):
            seen, open_ = self.places[place] if reached and self.places else (None, None)
            self.run.session.record(
                "until",
                axis=axis.name,
                input=self.signal.plan.name,
                level=level_word(self.action.on),
                reached=reached,
                seen=seen,
                give=open_,
                rest=axis.position(),
                seen_ns=self.run.session.log.since_start(self.signal.since[0]) if seen is not None else None,
            )

    def look_between(self) -> None:
        """Raises ExpectationFailed where the input was seen elsewhere than the recipe says."""
        if self.action.between is None or not self.places:
            return
        low, high = self.action.between
        for axis, (seen, _) in zip(self.axes, self.places, strict=True):
            if not float(low) <= seen <= float(high):
                unit = axis.plan.unit
                what = f"was seen with {axis.name} at {seen:.4g} {unit}, expected between {float(low):g} and "
                raise _failed(self.signal, [axis], f"{what}{float(high):g} {unit}", "until-elsewhere")


def _names(axes: Sequence[Axis]) -> str:
    return " and ".join(axis.name for axis in axes)


def _failed(signal: Signal, axes: Sequence[Axis], what: str, rule: str) -> ExpectationFailed:
    return ExpectationFailed(
        f"{signal.plan.name} {what}",
        rule=rule,
        axis=axes[0].name,
        node=axes[0].plan.node,
        help="Look at the input by hand: whether it changes at all, its cable, `active`, and the way of the move.",
    )
