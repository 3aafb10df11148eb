"""What a value of a frame means: counts, a setting, a code, and the axis' own unit where the axis is known."""

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction

from choreo.units import show
from choreo.wire.described.dialect import DescribedDialect
from choreo.wire.described.frames.codec import Role, Shape
from choreo.wire.dialect import Scale
from choreo.wire.words import FrameClass, Setting

#: What each setting is measured in, as drives count.
UNITS: Mapping[Setting, str] = {
    Setting.SPEED: "counts/s",
    Setting.ACCELERATION: "counts/s^2",
    Setting.JERK: "counts/s^3",
    Setting.QUICK_STOP: "counts/s^2",
    Setting.FOLLOWING_ERROR: "counts",
    Setting.TORQUE_LIMIT: "%",
}
#: What a frame of each class can do, for whoever is about to send one.
CLASSES: Mapping[FrameClass, str] = {
    FrameClass.LOADS: "it puts a move into the drive, which the next start trigger sets off",
    FrameClass.STARTS: "it MOVES every axis whose drive holds a load",
    FrameClass.MOVES: "it MOVES the axis at once",
    FrameClass.STOPS: "it stops the axis, or all of them",
    FrameClass.CLEARS: "it empties a load",
    FrameClass.ENABLES: "it puts an axis under power, or releases a brake",
    FrameClass.DISABLES: "it takes power from an axis, or applies a brake",
    FrameClass.SETS: "it writes a setting or declares a position, and moves nothing",
    FrameClass.RESETS: "it resets a fault, after which the axis may move again",
    FrameClass.SWITCHES: "it switches an output, and what hangs on it may MOVE",
    FrameClass.NEUTRAL: "it can move nothing",
}
_POSITIONS = ("position", "target", "edge")
#: Fields that are single bits in meaning, however wide they are.
_FLAGS = ("captured", "on")


@dataclass(frozen=True, slots=True)
class AxisScale:
    """Whose frame it is: `counts_per_unit` is negative where counting up moves the axis in its negative direction."""

    name: str
    unit: str
    counts_per_unit: Fraction

    def position(self, counts: int) -> str:
        """Counts as a place, with its direction."""
        return show(counts / self.counts_per_unit, self.unit)

    def amount(self, counts: Fraction, per: str) -> str:
        """Counts, counts/s, ... as an amount without direction; `per` is what follows the unit, such as `/s`."""
        return show(counts / abs(self.counts_per_unit), self.unit + per)


def meaning(
    dialect: DescribedDialect, shape: Shape, name: str, values: Mapping[str, int], axis: AxisScale | None
) -> str:
    """One value of a frame in words; empty where the number says it all."""
    value = values[name]
    if name in _POSITIONS:
        return _position(value, axis)
    if name == "speed":
        return scaled(dialect.move_speed, value, "counts/s", axis)
    if name == "value":
        return _setting_value(dialect, value, values.get("number"), axis)
    if name == "number":
        return _number(dialect, value)
    if name == "rolling":
        return "the count of frames, which goes round"
    return _code(dialect, shape, name, value)


def _position(counts: int, axis: AxisScale | None) -> str:
    if axis is None:
        return f"{counts} counts"
    return f"{axis.position(counts)} of {axis.name}, once it is homed"


def _number(dialect: DescribedDialect, number: int) -> str:
    setting = dialect.setting_by_number(number)
    if setting is not None:
        return f"the setting {setting}"
    for name, scale in dialect.scale_settings.items():
        if scale.number == number:
            return f"the setting {name}"
    return "a setting that the dialect does not describe"


def _setting_value(dialect: DescribedDialect, raw: int, number: int | None, axis: AxisScale | None) -> str:
    if number is None:
        return "raw, of the setting that was asked for"
    setting = dialect.setting_by_number(number)
    if setting is not None:
        return scaled(dialect.settings[setting], raw, UNITS[setting], axis)
    for scale in dialect.scale_settings.values():
        if scale.number == number:
            return show(raw * scale.step, "counts")
    return ""


def scaled(scale: Scale, raw: int, unit: str, axis: AxisScale | None = None) -> str:
    """What a raw value means, in the drive's unit and in that of the axis."""
    if scale.special and raw in scale.special:
        return scale.special[raw]
    try:
        physical = scale.from_raw(raw)
    except ValueError:
        return "no value of the dialect"
    outside = "" if scale.minimum <= raw <= scale.maximum else f", outside {scale.minimum} to {scale.maximum}"
    if axis is None or not unit.startswith("counts"):
        return show(physical, unit) + outside
    return f"{show(physical, unit)}, {axis.amount(physical, unit.removeprefix('counts'))}{outside}"


def _code(dialect: DescribedDialect, shape: Shape, name: str, value: int) -> str:
    if name == "fault":
        return dialect.faults.get(value, "a fault that the dialect does not name" if value else "none")
    if name == "error":
        return dialect.errors.get(value, "an error that the dialect does not name")
    if name == "refused":
        return _refused(dialect, value)
    if name == "state" and dialect.states:
        says = dialect.states.get(value)
        return (
            "a state that the dialect does not explain"
            if says is None
            else ", ".join(sorted(says)) or "none of its words"
        )
    if name in _FLAGS or (shape.role is not Role.REQUEST and shape.layout.ranges.get(name) == (0, 1)):
        return "yes" if value else "no"
    return ""


def _refused(dialect: DescribedDialect, selector: int) -> str:
    named = [name for name, shape in dialect.frames.requests.items() if shape.layout.selector == selector]
    return " or ".join(named) if named else "a request that the dialect does not have"
