"""What a drive does, as a dialect file says it: loads, stops, timing, coded states, its own watchdog."""

from collections.abc import Collection, Mapping
from typing import Literal, NamedTuple, cast

from choreo.diagnostic import Mark, Span
from choreo.text.tree import Tree
from choreo.wire.described.reading.reader import LARGEST, Entry, Reader, value_of
from choreo.wire.described.reading.settings import Settings
from choreo.wire.dialect import LoadRules, Timing, Watchdog
from choreo.wire.words import Setting

#: Settings that decelerate.
_RAMPS = (Setting.ACCELERATION, Setting.QUICK_STOP)

_LOAD_RULE = ("load-rule-missing", "what a load is differs between drives, and nothing is assumed (practice.md P1).")

#: More requests than this are out nowhere.
MOST_OUTSTANDING = 1000

_SECOND_LOADS = ("replaces", "queues", "adds", "refused")
_AT_TRIGGER = ("consumed", "kept")
_RELATIVE_TO = ("target", "demand", "actual", "never")
#: What may clear a load, and what may leave it.
_CLEARED_BY = ("clear_load", "stop", "quick_stop", "disable")
_SURVIVES = ("stop", "quick_stop", "disable", "power_cycle")
#: What may do either: a file must say which.
_EITHER = ("stop", "quick_stop", "disable")

#: What a coded state may say. Fault codes have a field of their own.
STATE_WORDS = ("enabled", "moving", "homed", "loaded", "brake_applied", "in_position")


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


def read_timing(reader: Reader, tree: Tree | None, named: Collection[str]) -> Timing | None:
    """`timing:`, in nanoseconds. `named` are the messages that the file has."""
    needs = ("reply_within", "gap", "cycle", "latch")
    entries = reader.mapping(tree, "timing", needs, ("outstanding", "quiet"))
    times = [reader.time(value_of(entries, name), f"{name} of timing", name == "reply_within") for name in needs]
    outstanding = reader.integer(value_of(entries, "outstanding"), "outstanding of timing", 1, MOST_OUTSTANDING)
    quiet: dict[str, int] = {}
    quiet_tree = value_of(entries, "quiet")
    for name, entry in (reader.mapping(quiet_tree, "quiet of timing", may=tuple(named)) or {}).items():
        time = reader.time(entry.value, f"quiet of {name}", True)
        quiet.update({} if time is None else {name: time})
    reply_within, gap, cycle, latch = times
    if reply_within is None or gap is None or cycle is None or latch is None:
        return None
    return Timing(reply_within, gap, cycle, latch, outstanding, quiet)


class States(NamedTuple):
    """`states:`, by code, and where each code stands."""

    says: Mapping[int, frozenset[str]]
    places: Mapping[int, Span]

    @property
    def words(self) -> frozenset[str]:
        """Everything that some state says."""
        return frozenset[str]().union(*self.says.values())


def read_states(reader: Reader, tree: Tree | None) -> States | None:
    """None where the file has none."""
    entries = reader.open_mapping(tree, "states")
    if entries is None:
        return None
    says: dict[int, frozenset[str]] = {}
    places: dict[int, Span] = {}
    for entry in entries.values():
        code = reader.integer(entry.key, "a code of states", 0, LARGEST)
        words = reader.choices(entry.value, f"state {entry.key}", STATE_WORDS)
        if code is None or words is None:
            continue
        if code in says:
            first = Mark(places[code], "the first one")
            reader.error("duplicate", f"states have code {code} twice", entry.key.span, "Keep one.", first)
            continue
        says[code], places[code] = frozenset(words), entry.key.span
    return States(says, places)


def read_watchdog(reader: Reader, tree: Tree | None, named: Collection[str]) -> Watchdog | None:
    """`named` are the messages that the file has."""
    entries = reader.mapping(tree, "watchdog", ("within", "fed_by", "then"))
    within = reader.time(value_of(entries, "within"), "within of the watchdog", True)
    fed_tree = value_of(entries, "fed_by")
    fed_by: list[str] | None = None
    if fed_tree is not None and fed_tree != "any":
        fed_by = reader.choices(fed_tree, "fed_by of the watchdog", named)
        if fed_by == [] and isinstance(fed_tree, list) and not fed_tree:
            help = "Write `any`, or the messages that the drive takes for a sign of life."
            reader.error("value", "the watchdog is fed by nothing", fed_tree.span, help)
    then = reader.choice(value_of(entries, "then"), "then of the watchdog", ("stop", "quick_stop", "disable"))
    if within is None or then is None:
        return None
    fed = None if fed_by is None else frozenset(fed_by)
    return Watchdog(within, fed, cast(Literal["stop", "quick_stop", "disable"], then))
