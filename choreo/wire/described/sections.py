"""The parts of a dialect file that say what the drive does, beside its frames: settings, loads, stops, timing."""

from collections.abc import Mapping
from typing import Literal, NamedTuple, cast

from choreo.diagnostic import Mark, Span
from choreo.text.tree import Tree
from choreo.wire.described.reading import Entry, Reader, value_of
from choreo.wire.dialect import LoadRules, RawScale, Timing
from choreo.wire.words import Setting

#: What a setting is measured in.
_UNITS: Mapping[Setting, str] = {
    Setting.SPEED: "counts/s",
    Setting.ACCELERATION: "counts/s^2",
    Setting.JERK: "counts/s^3",
    Setting.QUICK_STOP: "counts/s^2",
    Setting.FOLLOWING_ERROR: "counts",
    Setting.TORQUE_LIMIT: "%",
}
#: Settings that decelerate.
_RAMPS = (Setting.ACCELERATION, Setting.QUICK_STOP)

_ROUNDINGS = ("down", "up", "nearest")
_LARGEST = (1 << 64) - 1
_LOAD_RULE = ("load-rule-missing", "what a load is differs between drives, and nothing is assumed (practice.md P1).")

_SECOND_LOADS = ("replaces", "queues", "adds", "refused")
_AT_TRIGGER = ("consumed", "kept")
_RELATIVE_TO = ("target", "demand", "actual", "never")
#: What may clear a load, and what may leave it.
_CLEARED_BY = ("clear_load", "stop", "quick_stop", "disable")
_SURVIVES = ("stop", "quick_stop", "disable", "power_cycle")
#: What may do either: a file must say which.
_EITHER = ("stop", "quick_stop", "disable")


class PlacedScale(NamedTuple):
    """A scale, and every raw value that the wire must be able to hold, with where it is written."""

    scale: RawScale
    extremes: tuple[tuple[int, Span], ...]


class PlacedSetting(NamedTuple):
    """A setting, its number on the wire, and where the number is written."""

    scale: RawScale
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
        parts = reader.mapping(
            entry.value, f"setting {name}", ("number", "unit", "from", "to", "rounding"), ("special",)
        )
        number_tree = value_of(parts, "number")
        number = reader.integer(number_tree, f"the number of setting {name}", 0, _LARGEST)
        if number is not None and number_tree is not None:
            if number in numbers:
                what = f"setting {name} has number {number}, as another has"
                reader.error("duplicate", what, number_tree.span, "Give each its own.", numbers[number])
            numbers[number] = Mark(number_tree.span, f"setting {name}")
        read = _read_scale(reader, parts, f"setting {name}", _UNITS[setting])
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
    parts = reader.mapping(tree, "move_speed", ("unit", "from", "to", "rounding"), ("special",))
    return _read_scale(reader, parts, "move_speed", _UNITS[Setting.SPEED])


def _read_scale(reader: Reader, parts: Mapping[str, Entry] | None, what: str, unit: str) -> PlacedScale | None:
    if parts is None:
        return None
    step = reader.quantity(value_of(parts, "unit"), f"the unit of {what}", unit)
    if step is not None and step <= 0:
        what_is_wrong = f"the unit of {what} must be above zero"
        reader.error("value", what_is_wrong, parts["unit"].value.span, f"Write how much one raw step is, in {unit}.")
        return None
    low = reader.integer(value_of(parts, "from"), f"`from` of {what}", 0, _LARGEST)
    high = reader.integer(value_of(parts, "to"), f"`to` of {what}", 0, _LARGEST)
    rounding = reader.choice(value_of(parts, "rounding"), f"the rounding of {what}", _ROUNDINGS)
    if rounding not in (None, "down") and unit == _UNITS[Setting.SPEED]:
        help = "Write `rounding: down`: a speed is never raised by rounding (practice.md P24)."
        reader.error("value", f"{what} is a speed and rounds {rounding}", parts["rounding"].value.span, help)
    special = read_codes(reader, value_of(parts, "special"), f"special values of {what}", 0)
    if step is None or low is None or high is None or rounding is None:
        return None
    places = [(low, parts["from"].value.span), (high, parts["to"].value.span)]
    if low > high:
        reader.error("value", f"{what} goes from {low} to {high}", places[1][1], "Write the smaller behind `from`.")
        return None
    places.extend((raw, entry.span) for raw, entry in special.items())
    meanings = {raw: entry.text for raw, entry in special.items()}
    direction = cast(Literal["down", "up", "nearest"], rounding)
    return PlacedScale(RawScale(step, low, high, direction, meanings or None), tuple(places))


class PlacedText(NamedTuple):
    """What a code means, and where the code stands."""

    text: str
    span: Span


def read_codes(reader: Reader, tree: Tree | None, what: str, lowest: int) -> dict[int, PlacedText]:
    """A table of codes and meanings. One code may be written in two ways, so duplicates are looked for by value."""
    found: dict[int, PlacedText] = {}
    for entry in (reader.open_mapping(tree, what) or {}).values():
        code = reader.integer(entry.key, f"a code of {what}", lowest, _LARGEST)
        text = reader.text(entry.value, f"the meaning of {entry.key} in {what}")
        if code is None or text is None:
            continue
        if code in found:
            first = Mark(found[code].span, "the first one")
            reader.error("duplicate", f"{what} have code {code} twice", entry.key.span, "Keep one.", first)
            continue
        found[code] = PlacedText(" ".join(text.split()), entry.key.span)
    return found


def read_loads(reader: Reader, tree: Tree | None) -> LoadRules | None:
    """`loads:`: every rule of practice.md P1, none with a default."""
    rules = ("second_load", "at_trigger", "cleared_by", "survives", "relative_to")
    entries = reader.mapping(tree, "loads", rules, missing=_LOAD_RULE) or {}
    second = reader.choice(value_of(entries, "second_load"), "second_load", _SECOND_LOADS)
    at_trigger = reader.choice(value_of(entries, "at_trigger"), "at_trigger", _AT_TRIGGER)
    cleared = reader.choices(value_of(entries, "cleared_by"), "cleared_by", _CLEARED_BY)
    survives = reader.choices(value_of(entries, "survives"), "survives", _SURVIVES)
    relative = reader.choice(value_of(entries, "relative_to"), "relative_to", _RELATIVE_TO)
    if cleared is None or survives is None:
        return None
    for name in _EITHER:
        _check_either(reader, name, entries, cleared, survives)
    if second is None or at_trigger is None or relative is None:
        return None
    return LoadRules(
        second_load=cast(Literal["replaces", "queues", "adds", "refused"], second),
        at_trigger=cast(Literal["consumed", "kept"], at_trigger),
        cleared_by=frozenset(cleared),
        survives=frozenset(survives),
        relative_to=cast(Literal["target", "demand", "actual", "never"], relative),
    )


def _check_either(
    reader: Reader, name: str, entries: Mapping[str, Entry], cleared: list[str], survives: list[str]
) -> None:
    if (name in cleared) is not (name in survives):
        return
    place = entries["survives"].value.span
    other = Mark(entries["cleared_by"].value.span, "cleared_by")
    if name in cleared:
        what, rule = f"a load is cleared by `{name}` and survives it", "load-rule"
    else:
        what, rule = f"loads does not say whether a load survives `{name}` or is cleared by it", "load-rule-missing"
    reader.error(rule, what, place, f"Name `{name}` in one of the two lists.", other)


class Stops(NamedTuple):
    """Which setting decelerates which stop."""

    stop: Setting
    quick_stop: Setting


def read_stops(reader: Reader, tree: Tree | None, settings: Settings) -> Stops | None:
    """`stops:`."""
    entries = reader.mapping(tree, "stops", ("stop", "quick_stop"))
    ramps: list[Setting] = []
    for name in ("stop", "quick_stop"):
        place = value_of(reader.mapping(value_of(entries, name), f"stop {name}", ("ramp",)), "ramp")
        word = reader.choice(place, f"the ramp of {name}", tuple(ramp.value for ramp in _RAMPS))
        if word is None or place is None:
            continue
        if Setting(word) not in settings:
            help = f"Describe `{word}` under `settings:`, or name the setting that the drive uses."
            reader.error("missing-key", f"the ramp of {name} is `{word}`, which is no setting here", place.span, help)
            continue
        ramps.append(Setting(word))
    return Stops(*ramps) if len(ramps) == 2 else None


def read_timing(reader: Reader, tree: Tree | None) -> Timing | None:
    """`timing:`, in nanoseconds."""
    needs = ("reply_within", "gap", "cycle", "latch")
    entries = reader.mapping(tree, "timing", needs)
    times: list[int] = []
    for name in needs:
        place = value_of(entries, name)
        exact = reader.quantity(place, f"{name} of timing", "ns")
        if exact is None or place is None:
            continue
        if exact < 0 or (exact == 0 and name == "reply_within"):
            least = "above zero" if name == "reply_within" else "zero or more"
            reader.error("value", f"{name} of timing is {place}", place.span, f"It must be {least}.")
            continue
        times.append(round(exact))
    return Timing(*times) if len(times) == len(needs) else None
