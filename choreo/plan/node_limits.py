"""
The limits of an axis as the wire sees them, for the guard.

Positions are rounded like every target (half up), so that whatever lies within the limit is allowed when it is rounded;
speeds and settings are rounded down, so that no raw value means more than the limit. The smallest value that is allowed
is the smallest that means anything; where a raw unit falls, that is its largest raw value. The drive's own
following-error window may not be wider than the tracking limit (P8).
"""

from collections.abc import Mapping
from fractions import Fraction

from choreo.limits import NodeLimits
from choreo.plan.amounts import Amounts, Findings
from choreo.plan.model import AxisPlan
from choreo.plan.rounding import Grid, lowest_raw, raw_at_most
from choreo.recipe.model import Recipe
from choreo.units import show
from choreo.wire.dialect import Dialect, Scale
from choreo.wire.words import Setting


def node_limits(axis: AxisPlan, dialect: Dialect, recipe: Recipe, amounts: Amounts, findings: Findings) -> NodeLimits:
    """What may leave for the drive of `axis`. A limit below the wire's coarsest step leaves a finding."""
    limits = axis.limits
    _check_steps(axis, dialect, recipe, findings)
    ends = sorted(axis.counts(end) for end in limits.travel)
    return NodeLimits(
        axis=axis.name,
        node=axis.node,
        travel=(ends[0], ends[1]),
        unhomed_reach=max(abs(axis.counts(limits.unhomed_distance)), abs(axis.counts(-limits.unhomed_distance))),
        speed_raw=_ceiling(axis, dialect.move_speed, limits.speed) or 0,
        unhomed_speed_raw=_ceiling(axis, dialect.move_speed, min(limits.speed, limits.unhomed_speed)) or 0,
        slowest_speed_raw=lowest_raw(dialect.move_speed),
        settings=_settings(axis, dialect),
        edge=_edge(axis, recipe, amounts),
    )


def _ceiling(axis: AxisPlan, raw: Scale, limit: Fraction) -> int | None:
    """The raw value that means most without meaning more than `limit`; None when there is none."""
    return raw_at_most(raw, limit * abs(axis.counts_per_unit))


def limit_of(axis: AxisPlan, setting: Setting) -> Fraction | None:
    """The limit that a setting must keep, in the axis' unit; None where only the wire limits it."""
    return {
        Setting.SPEED: axis.limits.speed,
        Setting.ACCELERATION: axis.limits.acceleration,
        Setting.JERK: axis.limits.jerk,
        Setting.QUICK_STOP: axis.limits.quick_stop,
        Setting.FOLLOWING_ERROR: axis.limits.tracking,
    }.get(setting)


def _settings(axis: AxisPlan, dialect: Dialect) -> Mapping[Setting, tuple[int, int]]:
    ranges = {}
    for setting, raw in dialect.settings.items():
        limit = limit_of(axis, setting)
        most = raw_at_most(raw, raw.ceiling) if limit is None else _ceiling(axis, raw, limit)
        least = lowest_raw(raw)
        ranges[setting] = (least, least - 1) if most is None else (min(least, most), max(least, most))
    return ranges


def _check_steps(axis: AxisPlan, dialect: Dialect, recipe: Recipe, findings: Findings) -> None:
    """Each limit must be at least one step of the wire, otherwise nothing at all could be sent."""
    given, unhomed = recipe.limits[axis.name], recipe.unhomed[axis.name]
    wanted = [
        ("speed", "/s", given.speed, axis.limits.speed, dialect.move_speed),
        ("speed before home", "/s", unhomed.speed, axis.limits.unhomed_speed, dialect.move_speed),
    ]
    for setting, per in _PER.items():
        raw, limit = dialect.settings.get(setting), limit_of(axis, setting)
        if raw is not None and limit is not None:
            wanted.append((str(setting).replace("_", " "), per, getattr(given, _GIVEN[setting]), limit, raw))
    for what, per, amount, limit, raw in wanted:
        if amount is not None and _ceiling(axis, raw, limit) is None:
            smallest = show(Grid.of(raw, axis.counts_per_unit).smallest, axis.unit + per)
            findings.add(
                "raw-range",
                f"{what} of {axis.name} is limited to {show(limit, axis.unit + per)}, "
                f"below the smallest value that its drive's frames can carry, {smallest}",
                amount.span,
                help=f"Give at least {smallest}.",
            )


_PER = {
    Setting.ACCELERATION: "/s^2",
    Setting.JERK: "/s^3",
    Setting.QUICK_STOP: "/s^2",
    Setting.FOLLOWING_ERROR: "",
}
_GIVEN = {
    Setting.ACCELERATION: "acceleration",
    Setting.JERK: "jerk",
    Setting.QUICK_STOP: "quick_stop",
    Setting.FOLLOWING_ERROR: "tracking",
}


def _edge(axis: AxisPlan, recipe: Recipe, amounts: Amounts) -> int | None:
    """Counts of the home switch's edge, where the recipe says how the axis is homed."""
    for group in recipe.homing:
        if axis.name in recipe.axes_of(group):
            at = amounts.travel(recipe.home_at(group, axis.name), axis.name, axis.unit)
            return None if at is None else axis.counts(at)
    return None
