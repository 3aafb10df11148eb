"""What a `preload` or a `move` asks for, before it is known where the axes are: read once, repeated or not."""

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import NamedTuple

from choreo.diagnostic import Span
from choreo.plan.amounts import SPEED
from choreo.plan.raws import Wish
from choreo.plan.state import Resolving
from choreo.recipe.scalars import Amount
from choreo.recipe.steps import MoveStep, PreloadStep, Target, Targets
from choreo.text import Text

#: Without `for`, an axis has settled after so many polls inside its window: what standstill needs (P10).
SETTLE_POLLS = 3
#: Without `within`, the window is this part of the tracking limit, or this many times the encoder's noise.
WINDOW_OF_TRACKING = Fraction(1, 30)
WINDOW_NOISES = 8


class Part(NamedTuple):
    """One axis: `to` a position or by a distance; `speed` at the pace of the run, None for the configured one."""

    axis: int
    to: bool
    value: Fraction
    place: Span
    speed: Wish | None


@dataclass(frozen=True, slots=True)
class Asked:
    """Stages that go one after the other, each in order of declaration."""

    stages: tuple[tuple[Part, ...], ...]
    within: Mapping[int, Fraction]
    settle_ns: int
    together: bool
    label: str


def of_preload(resolving: Resolving, step: PreloadStep) -> Asked:
    """One stage, and no arrival."""
    parts = _parts(resolving, step.preload, step.speed)
    together = step.arrive == "together"
    return Asked((tuple(parts.values()),), {}, 0, together, _label(step.verb, step.preload))


def of_move(resolving: Resolving, step: MoveStep) -> Asked:
    """Stages as `order` says; without it all together."""
    parts = _parts(resolving, step.move, step.speed)
    order = [resolving.axes_of(names) for names in step.order] if step.order else [tuple(parts)]
    polls_ns = SETTLE_POLLS * resolving.times.poll_ns
    return Asked(
        stages=tuple(tuple(parts[axis] for axis in stage if axis in parts) for stage in order),
        within={axis: window(resolving, axis, step.within) for axis in parts},
        settle_ns=polls_ns if step.settle is None else resolving.amounts.time_ns(step.settle),
        together=step.arrive == "together",
        label=_label(step.verb, step.move),
    )


def window(resolving: Resolving, axis: int, within: Amount | None) -> Fraction:
    """How near its target an axis has arrived."""
    plan = resolving.machine.axes[axis]
    given = None if within is None else resolving.amounts.travel(within, plan.name, plan.unit)
    if given is not None:
        return given
    if axis not in resolving.windows:
        noise = WINDOW_NOISES * plan.noise_counts / abs(plan.counts_per_unit)
        resolving.windows[axis] = max(plan.limits.tracking * WINDOW_OF_TRACKING, noise)
    return resolving.windows[axis]


def _label(verb: str, targets: Targets) -> str:
    return f"{verb} to {targets.position}" if targets.position else f"{verb} {', '.join(targets.by_group)}"


def _parts(resolving: Resolving, targets: Targets, speed: Amount | None) -> dict[int, Part]:
    """By axis, in order of declaration. A unit that does not fit leaves a finding, and no part."""
    return parts_of(resolving, _by_group(resolving, targets), speed)


def parts_of(
    resolving: Resolving, by_group: Mapping[Text, tuple[Amount, bool, Amount | None]], speed: Amount | None
) -> dict[int, Part]:
    """The same from groups: where each goes, whether that is a position, and its own speed."""
    found: dict[int, Part] = {}
    for group, (amount, to, own_speed) in by_group.items():
        for axis in resolving.axes_of(group):
            plan = resolving.machine.axes[axis]
            value = resolving.amounts.travel(amount, plan.name, plan.unit)
            wish = _speed(resolving, axis, own_speed or speed)
            if value is not None:
                found[axis] = Part(axis, to, value, amount.span, wish)
    return dict(sorted(found.items()))


def _by_group(resolving: Resolving, targets: Targets) -> Mapping[Text, tuple[Amount, bool, Amount | None]]:
    """By group: the amount, whether it is a position, and the speed beside it."""
    if targets.position is not None:
        position = resolving.recipe.positions[targets.position]
        return {group: (amount, True, None) for group, amount in position.items()}
    return {group: (*_way(target), target.speed) for group, target in targets.by_group.items()}


def _way(target: Target) -> tuple[Amount, bool]:
    amount = target.by if target.to is None else target.to
    assert amount is not None  # the recipe was read so
    return amount, target.to is not None


def _speed(resolving: Resolving, axis: int, speed: Amount | None) -> Wish | None:
    if speed is None:
        return None
    plan = resolving.machine.axes[axis]
    given = resolving.amounts.travel(speed, plan.name, plan.unit, SPEED)
    return None if given is None else Wish(given * resolving.pace, speed.span)
