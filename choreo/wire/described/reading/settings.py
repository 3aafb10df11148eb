"""The settings of a dialect file: their numbers and scales, the speed of a move, settings that say what a count is."""

from collections.abc import Mapping
from typing import NamedTuple

from choreo.diagnostic import Mark, Span
from choreo.text.tree import Tree
from choreo.wire.described.reading.reader import LARGEST, Reader, value_of
from choreo.wire.described.reading.scaling import SPEED_UNIT, PlacedScale, read_scale
from choreo.wire.dialect import Scale, ScaleSetting
from choreo.wire.words import Setting

#: What a setting is measured in.
_UNITS: Mapping[Setting, str] = {
    Setting.SPEED: SPEED_UNIT,
    Setting.ACCELERATION: "counts/s^2",
    Setting.JERK: "counts/s^3",
    Setting.QUICK_STOP: "counts/s^2",
    Setting.FOLLOWING_ERROR: "counts",
    Setting.TORQUE_LIMIT: "%",
}
#: Settings of a drive that say what a count is, and their unit.
SCALE_SETTINGS = {"counts_per_motor_rev": "counts"}


class PlacedSetting(NamedTuple):
    """A setting, its number on the wire, and where the number is written."""

    scale: Scale
    extremes: tuple[tuple[int, Span], ...]
    number: int
    span: Span


#: By setting; None where the file names it and it could not be read.
Settings = Mapping[Setting, PlacedSetting | None]


def read_settings(reader: Reader, tree: Tree | None) -> Settings:
    """`settings:`."""
    found: dict[Setting, PlacedSetting | None] = {}
    numbers: dict[int, Mark] = {}
    known = [setting.value for setting in Setting]
    entries = reader.open_mapping(tree, "settings") or {}
    found.update((Setting(name), None) for name in reader.unknown_keys(entries, "settings", known))
    for name in (Setting.SPEED.value, Setting.ACCELERATION.value):
        if tree is not None and entries and name not in entries and Setting(name) not in found:
            reader.error("missing-key", f"settings has no `{name}`", tree.span, f"Add `{name}`: every move needs it.")
    for name, entry in entries.items():
        if name not in known:
            continue
        setting = Setting(name)
        read = read_scale(reader, entry.value, f"setting {name}", _UNITS[setting], ("number",))
        number_tree = value_of(reader.keys(entry.value), "number")
        number = reader.integer(number_tree, f"the number of setting {name}", 0, LARGEST)
        if number is not None and number_tree is not None:
            if number in numbers:
                what = f"setting {name} has number {number}, as another has"
                reader.error("duplicate", what, number_tree.span, "Give each its own.", numbers[number])
            numbers[number] = Mark(number_tree.span, f"setting {name}")
        found[setting] = None
        if read is not None and number is not None and number_tree is not None:
            found[setting] = PlacedSetting(read.scale, read.extremes, number, number_tree.span)
    return found


def read_move_speed(reader: Reader, tree: Tree | None, settings: Settings) -> PlacedScale | None:
    """`move_speed:`: the scale of the speed that goes with a move, of its own or that of a setting."""
    entries = reader.open_mapping(tree, "move_speed")
    if entries is None or tree is None:
        return None
    if "setting" in entries:
        reader.mapping(tree, "move_speed", ("setting",))
        name = reader.choice(entries["setting"].value, "the setting of move_speed", (Setting.SPEED.value,))
        setting = None if name is None else settings.get(Setting(name))
        return None if setting is None else PlacedScale(setting.scale, setting.extremes)
    return read_scale(reader, tree, "move_speed", SPEED_UNIT)


class PlacedScaleSetting(NamedTuple):
    """A setting that says what a count is, and where its number stands."""

    setting: ScaleSetting
    span: Span


def read_scale_settings(reader: Reader, tree: Tree | None) -> Mapping[str, PlacedScaleSetting]:
    """`scale_settings:`."""
    found: dict[str, PlacedScaleSetting] = {}
    for name, entry in (reader.mapping(tree, "scale_settings", may=tuple(SCALE_SETTINGS)) or {}).items():
        parts = reader.mapping(entry.value, name, ("number", "unit"))
        number_tree, unit_tree = value_of(parts, "number"), value_of(parts, "unit")
        number = reader.integer(number_tree, f"the number of {name}", 0, LARGEST)
        step = reader.quantity(unit_tree, f"the unit of {name}", SCALE_SETTINGS[name])
        if step is not None and step <= 0 and unit_tree is not None:
            help = f"Write how much one raw step is, in {SCALE_SETTINGS[name]}."
            reader.error("value", f"the unit of {name} must be above zero", unit_tree.span, help)
        elif number is not None and step is not None and number_tree is not None:
            found[name] = PlacedScaleSetting(ScaleSetting(number, step), number_tree.span)
    return found
