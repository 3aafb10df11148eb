"""`preload` and `move`: exact targets, speeds as the wire carries them, profiles of what is really sent."""

from collections.abc import Mapping, Sequence
from fractions import Fraction

from choreo.motion.sync import MoveLimits, synchronise
from choreo.plan.amounts import SPEED
from choreo.plan.asked import Asked, Part, of_move, of_preload
from choreo.plan.model import Anchor, AxisMove, Move, Preload
from choreo.plan.predict import exactly
from choreo.plan.profiles import Shape
from choreo.plan.raws import Wish, raws
from choreo.plan.signals import CERTAIN
from choreo.plan.state import Resolving, Where
from choreo.recipe.steps import MoveStep, PreloadStep, Step
from choreo.wire.words import Setting

#: A computed speed is cut to this part of a unit a second before it is rounded to a raw value.
FINENESS = 1_000_000


def preload(resolving: Resolving, step: PreloadStep, where: Where) -> None:
    """The moves are kept until a trigger starts them; a later load of the same axis takes their place."""
    asked = resolving.once(step, lambda: of_preload(resolving, step))
    moves = stage(resolving, step, asked, 0)
    for one in moves:
        resolving.states[one.axis].loaded = one
    predicted = exactly(resolving.times.load([one.axis for one in moves]))
    resolving.emit(step, where, Preload(moves), predicted, asked.label)


def move(resolving: Resolving, step: MoveStep, where: Where) -> None:
    """Each stage is loaded, started and waited for, one after the other."""
    asked = resolving.once(step, lambda: of_move(resolving, step))
    groups = []
    predicted_ns = 0
    for number in range(len(asked.stages)):
        moves = stage(resolving, step, asked, number)
        predicted_ns += resolving.times.travel(moves, asked.settle_ns)
        for one in moves:
            started(resolving, one, resolving.clock_ns + predicted_ns)
        groups.append(moves)
    action = Move(tuple(groups), asked.within, asked.settle_ns)
    resolving.emit(step, where, action, exactly(predicted_ns), asked.label)


def started(resolving: Resolving, one: AxisMove, rests_at_ns: int) -> None:
    """The axis is on its way: what comes next counts from its target."""
    state = resolving.states[one.axis]
    state.anchor, state.offset, state.rests_at_ns = one.anchor, one.target, rests_at_ns
    state.spread = one.target_spread


def stage(resolving: Resolving, step: Step, asked: Asked, number: int) -> tuple[AxisMove, ...]:
    """The moves of one stage, made once for the same way under the same settings."""
    parts = asked.stages[number]
    ways = tuple(_way(resolving, part) for part in parts)
    spreads = tuple(resolving.states[part.axis].spread for part in parts)
    key = (id(step), number, resolving.settings_written, ways, spreads)
    found = resolving.moves.get(key)
    if found is None:
        found = resolving.moves[key] = _made(resolving, parts, ways, together=asked.together)
    return found


def _made(
    resolving: Resolving, parts: Sequence[Part], ways: Sequence[tuple[Anchor, Fraction, Fraction]], *, together: bool
) -> tuple[AxisMove, ...]:
    """What the wire cannot carry has left a finding and does not move."""
    distances = [float(_longest(resolving, part, way)) for part, way in zip(parts, ways, strict=True)]
    speeds = _speeds(resolving, parts, distances if together else None)
    return tuple(
        _move(resolving, part, way, distance, speeds[part.axis])
        for part, way, distance in zip(parts, ways, distances, strict=True)
        if part.axis in speeds
    )


def _way(resolving: Resolving, part: Part) -> tuple[Anchor, Fraction, Fraction]:
    """
    Anchor, start, target. A `to` before home has no known beginning: it is taken to begin where it ends, and a check
    refuses it.
    """
    state = resolving.states[part.axis]
    if not part.to:
        return state.anchor, state.offset, state.offset + part.value
    return Anchor.HOME, state.offset if state.anchor is Anchor.HOME else part.value, part.value


def _longest(resolving: Resolving, part: Part, way: tuple[Anchor, Fraction, Fraction]) -> Fraction:
    """The way that a part goes; from a place that only the run will know, the longest that it may be."""
    _, start, target = way
    if not part.to:
        return target - start
    return max((target - start - off for off in resolving.states[part.axis].spread), key=abs)


def _speeds(resolving: Resolving, parts: Sequence[Part], distances: Sequence[float] | None) -> dict[int, int]:
    """
    Raw speeds by axis. With `distances` the speed of every axis is lowered so that all end with the slowest (facts.md
    E7 (2)), or as little later as rounding down makes it.
    """
    wishes = {part.axis: part.speed or _configured(resolving, part.axis) for part in parts}
    found = raws(resolving, wishes, resolving.machine.speed_grid, "speed", SPEED)
    if distances is None or len(found) < len(parts):
        return found
    return _lowered(resolving, parts, distances, found)


def _configured(resolving: Resolving, axis: int) -> Wish:
    """The speed that the drive was configured with, else the limit (a check refuses that); at the pace."""
    state = resolving.states[axis]
    speed = state.real.get(Setting.SPEED, resolving.machine.axes[axis].limits.speed)
    return Wish(speed * resolving.pace, state.places.get(Setting.SPEED))


def _lowered(
    resolving: Resolving, parts: Sequence[Part], distances: Sequence[float], found: Mapping[int, int]
) -> dict[int, int]:
    grids = [resolving.machine.speed_grid(part.axis) for part in parts]
    limits = []
    for part, distance, grid in zip(parts, distances, grids, strict=True):
        acceleration, jerk = ramps(resolving, part.axis)
        limits.append(MoveLimits(distance, float(grid.real(found[part.axis])), float(acceleration), _as_float(jerk)))
    unlike = list(dict.fromkeys(limits))  # the two sides of a pair are alike
    speeds = dict(zip(unlike, synchronise(unlike), strict=True))
    lowered = dict(found)
    wishes = {}
    for part, grid, limit in zip(parts, grids, limits, strict=True):
        speed = speeds[limit]
        if speed < float(limit.speed):
            lowered[part.axis] = grid.lowest  # where the wire has nothing so slow
            if speed >= float(grid.smallest):
                exact = Fraction(int(speed * FINENESS), FINENESS)
                wishes[part.axis] = Wish(exact, None if part.speed is None else part.speed.place)
    return lowered | raws(resolving, wishes, resolving.machine.speed_grid, "speed", SPEED)


def ramps(resolving: Resolving, axis: int) -> tuple[Fraction, Fraction | None]:
    """Acceleration and jerk as configured, else the limits (a check refuses that); no jerk for a trapezoid."""
    real, limits = resolving.states[axis].real, resolving.machine.axes[axis].limits
    acceleration = real.get(Setting.ACCELERATION, limits.acceleration)
    if resolving.machine.dialect(axis).profile == "trapezoid":
        return acceleration, None
    return acceleration, real.get(Setting.JERK, limits.jerk)


def _as_float(value: Fraction | None) -> float | None:
    """A number for a profile."""
    return None if value is None else float(value)


def _move(
    resolving: Resolving, part: Part, way: tuple[Anchor, Fraction, Fraction], distance: float, raw: int
) -> AxisMove:
    axis, (anchor, start, target) = part.axis, way
    acceleration, jerk = ramps(resolving, axis)
    speed = resolving.machine.speed_grid(axis).real(raw)
    shape = Shape(distance, float(speed), float(acceleration), _as_float(jerk))
    spread = resolving.states[axis].spread
    profile, duration_ns, onset_ns = resolving.profiles.of(axis, shape)
    return AxisMove(
        axis=axis,
        anchor=anchor,
        start=start,
        target=target,
        speed_raw=raw,
        speed=speed,
        acceleration=acceleration,
        jerk=jerk,
        profile=profile,
        duration_ns=duration_ns,
        onset_ns=onset_ns,
        place=part.place,
        speed_place=part.speed.place if part.speed else resolving.states[axis].places.get(Setting.SPEED),
        start_spread=spread,
        target_spread=CERTAIN if part.to else spread,
    )
