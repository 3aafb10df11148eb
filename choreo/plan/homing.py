"""`home`: of an axis, or of a pair together (P19). One step of the plan for each group that is homed."""

from collections.abc import Iterable
from fractions import Fraction

from choreo.plan.amounts import SPEED
from choreo.plan.model import Anchor, Home
from choreo.plan.motion import ramps
from choreo.plan.raws import Wish, raws
from choreo.plan.signals import CERTAIN
from choreo.plan.state import Resolving, Where
from choreo.recipe.model import Homing
from choreo.recipe.scalars import Amount
from choreo.recipe.steps import HomeStep
from choreo.text import Text
from choreo.wire.words import Setting


def home(resolving: Resolving, step: HomeStep, where: Where) -> None:
    """The groups go one after the other: as they are named, or for `all` as the machine's homing order says."""
    groups = _groups(resolving, step.home)
    for group in groups:
        _home(resolving, step, where, group, alone=len(groups) == 1)


def _groups(resolving: Resolving, names: Iterable[Text]) -> list[Text]:
    """What is homed for itself, in its order: an axis or a pair each."""
    recipe = resolving.recipe
    groups: list[Text] = []
    for name in names:
        if name in recipe.homing:
            groups.append(name)
            continue
        behind = recipe.axes_of(name)
        ranks = [recipe.axes_of(stage) for stage in recipe.homing_order]
        meant = [group for group in recipe.homing if recipe.axes_of(group)[0] in behind]
        groups += sorted(meant, key=lambda group: _rank(recipe.axes_of(group)[0], ranks))
    return groups


def _rank(axis: str, stages: list[tuple[str, ...]]) -> tuple[int, int]:
    """Where an axis stands in the homing order; behind all others where it is not named."""
    found = ((number, stage.index(axis)) for number, stage in enumerate(stages) if axis in stage)
    return next(found, (len(stages), 0))


def _home(resolving: Resolving, step: HomeStep, where: Where, group: Text, *, alone: bool) -> None:
    action = _action(resolving, group, resolving.recipe.homing[group])
    if action is None:
        return
    predicted = resolving.times.home(action, _distance(resolving, action))
    resolving.emit(step, where, action, predicted, f"home {group}", "" if alone else f"({group})")
    for axis in action.axes:
        state = resolving.states[axis]
        state.anchor, state.offset, state.rests_at_ns = Anchor.HOME, action.rest_at, resolving.clock_ns
        state.spread = CERTAIN


def _distance(resolving: Resolving, action: Home) -> Fraction:
    """
    How far the search goes. Where the axis was homed before in this recipe this is known exactly; before that it may be
    anything up to `within`, and half of that is taken. (The timeout counts with all of it.)
    """
    states = [resolving.states[axis] for axis in action.axes]
    if all(state.anchor is Anchor.HOME for state in states):
        ways = [(edge - state.offset) * action.towards for state, edge in zip(states, action.home_at, strict=True)]
        return min(max(Fraction(0), *ways), action.within)
    return action.within / 2


def _action(resolving: Resolving, group: Text, homing: Homing) -> Home | None:
    """None, with findings, when a value does not fit."""
    axes = resolving.axes_of(group)
    plan = resolving.machine.axes[axes[0]]

    def travel(amount: Amount | None, per: str = "") -> Fraction | None:
        return Fraction(0) if amount is None else resolving.amounts.travel(amount, plan.name, plan.unit, per)

    search, crawl = travel(homing.search, SPEED), travel(homing.crawl, SPEED)
    back_off, within, rest_at = travel(homing.back_off), travel(homing.within), travel(homing.rest_at)
    square_limit = travel(homing.square_limit)
    shift_limit = None if homing.shift_limit is None else travel(homing.shift_limit)
    edges = [travel(resolving.recipe.home_at(group, resolving.machine.axes[axis].name)) for axis in axes]
    home_at = tuple(edge for edge in edges if edge is not None)
    if search is None or crawl is None or back_off is None or within is None or rest_at is None or square_limit is None:
        return None
    search_raw = _speed_raws(resolving, axes, Wish(search * resolving.pace, homing.search.span), "search speed")
    crawl_raw = _speed_raws(resolving, axes, Wish(crawl, homing.crawl.span), "crawl speed")
    if len(home_at) < len(axes) or not search_raw or not crawl_raw:
        return None
    grid = resolving.machine.speed_grid(axes[0])
    shapes = [ramps(resolving, axis) for axis in axes]
    return Home(
        axes=axes,
        towards=1 if homing.towards == "positive" else -1,
        search_raw=search_raw,
        search=grid.real(search_raw[0]),
        crawl_raw=crawl_raw,
        crawl=grid.real(crawl_raw[0]),
        back_off=back_off,
        within=within,
        square_limit=square_limit,
        shift_limit=shift_limit,
        home_at=home_at,
        rest_at=rest_at,
        square_torque_raw=_torque_raw(resolving, axes, homing),
        acceleration=tuple(acceleration for acceleration, _ in shapes),
        jerk=tuple(jerk for _, jerk in shapes),
    )


def _speed_raws(resolving: Resolving, axes: tuple[int, ...], wish: Wish, what: str) -> tuple[int, ...]:
    """Empty when the wire cannot carry the speed. A pace slows the search; the crawl is slow as it is."""
    found = raws(resolving, dict.fromkeys(axes, wish), resolving.machine.speed_grid, what, SPEED)
    return tuple(found[axis] for axis in axes) if len(found) == len(axes) else ()


def _torque_raw(resolving: Resolving, axes: tuple[int, ...], homing: Homing) -> int | None:
    """The torque limit of the second side while the beam is squared; None leaves it as it is."""
    side = axes[-1]
    grid = resolving.grid(side, Setting.TORQUE_LIMIT)
    if homing.torque is None or len(axes) < 2 or grid is None:
        return None
    value = resolving.amounts.plain(homing.torque, "%")
    if value is None:
        return None
    found = raws(resolving, {side: Wish(value, homing.torque.span)}, lambda _: grid, "torque limit", "%")
    return found.get(side)
