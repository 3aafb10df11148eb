"""`configure`: settings as raw values, alike on both sides of a pair (P24), none meaning more than the axis' limit."""

from choreo.plan.amounts import ACCELERATION, JERK, SPEED
from choreo.plan.model import Configure
from choreo.plan.node_limits import limit_of
from choreo.plan.predict import SETTING_EXCHANGES, exactly
from choreo.plan.raws import Wish, raws
from choreo.plan.rounding import Grid
from choreo.plan.state import Resolving, Where
from choreo.recipe.scalars import Amount
from choreo.recipe.steps import ConfigureStep
from choreo.wire.words import Setting

#: What a setting is counted in, behind the axis' unit; `%` stands alone.
PER = {
    Setting.SPEED: SPEED,
    Setting.ACCELERATION: ACCELERATION,
    Setting.JERK: JERK,
    Setting.QUICK_STOP: ACCELERATION,
    Setting.FOLLOWING_ERROR: "",
    Setting.TORQUE_LIMIT: "%",
}


def configure(resolving: Resolving, step: ConfigureStep, where: Where) -> None:
    """Settings are written in the order of `Setting`, whatever their order in the recipe."""
    values: dict[int, dict[Setting, int]] = {}
    resolving.settings_written += 1
    for setting in Setting:
        wishes = _wishes(resolving, step, setting)

        def grid_of(axis: int, setting: Setting = setting) -> Grid:
            grid = resolving.grid(axis, setting)
            assert grid is not None
            return grid

        what = setting.value.replace("_", " ")
        for axis, raw in raws(resolving, wishes, grid_of, what, PER[setting]).items():
            state = resolving.states[axis]
            state.real[setting], state.places[setting] = grid_of(axis).real(raw), wishes[axis].place
            values.setdefault(axis, {})[setting] = raw
    most = max((len(settings) for settings in values.values()), default=0)
    predicted = exactly(resolving.times.exchanges(tuple(values), SETTING_EXCHANGES * most, *("write_setting",) * most))
    action = Configure(tuple((axis, values[axis]) for axis in sorted(values)))
    resolving.emit(step, where, action, predicted, f"configure {', '.join(step.configure)}")


def _wishes(resolving: Resolving, step: ConfigureStep, setting: Setting) -> dict[int, Wish]:
    """What the step asks for one setting, by axis."""
    found: dict[int, Wish] = {}
    for group, settings in step.configure.items():
        amount: Amount | None = getattr(settings, setting.value)
        if amount is None:
            continue
        for axis in resolving.axes_of(group):
            wish = _wish(resolving, axis, setting, amount)
            if wish is not None:
                found[axis] = wish
    return found


def _wish(resolving: Resolving, axis: int, setting: Setting, amount: Amount) -> Wish | None:
    plan = resolving.machine.axes[axis]
    if resolving.grid(axis, setting) is None:
        resolving.findings.add(
            "setting-unknown",
            f"{plan.name} has no setting {setting.value}: its dialect {plan.dialect} knows of none",
            amount.span,
            help="Leave it out.",
        )
        return None
    if setting is Setting.TORQUE_LIMIT:
        value = resolving.amounts.plain(amount, "%")
    else:
        value = resolving.amounts.travel(amount, plan.name, plan.unit, PER[setting])
    return None if value is None else Wish(value, amount.span, limit_of(plan, setting))
