"""From the tree of a dialect file to a compiled dialect, with every mistake of the file found in one reading."""

from collections.abc import Mapping
from typing import Literal, NamedTuple, TypeVar, cast

from choreo.diagnostic import Refused
from choreo.text.source import Source
from choreo.text.tree import Branch
from choreo.wire.described.dialect import DescribedDialect, Frames
from choreo.wire.described.frames.fields import ByteOrder
from choreo.wire.described.frames.identifiers import Addressing
from choreo.wire.described.reading import conflicts
from choreo.wire.described.reading.behaviour import (
    States,
    Stops,
    read_loads,
    read_states,
    read_stops,
    read_timing,
    read_watchdog,
)
from choreo.wire.described.reading.reader import Entry, PlacedText, Reader, near, value_of
from choreo.wire.described.reading.scaling import PlacedScale
from choreo.wire.described.reading.settings import (
    PlacedScaleSetting,
    Settings,
    read_move_speed,
    read_scale_settings,
    read_settings,
)
from choreo.wire.described.reading.speech.checksums import read_checksums
from choreo.wire.described.reading.speech.messages import read_messages
from choreo.wire.described.reading.speech.placed import Context, Messages
from choreo.wire.described.reading.speech.ranges import read_addressing, read_ranges
from choreo.wire.described.reading.speech.series import check_aborts
from choreo.wire.described.reading.speech.verbs import MESSAGES
from choreo.wire.dialect import LoadRules, Timing, Watchdog
from choreo.wire.words import Setting

#: The version of the description language that is read here.
VERSION = 1

_NEEDS = (
    *("choreo_dialect", "name", "title", "nodes", "identifiers", "byte_order", "messages", "settings", "move_speed"),
    *("loads", "stops", "position", "profile", "permanent_settings", "timing"),
)
_MAY = ("checksums", "error_reply", "errors", "events", "faults", "latch", "scale_settings", "states", "watchdog")

T = TypeVar("T")
Profile = Literal["trapezoid", "jerk_limited"]
PositionIs = Literal["actual", "demanded"]


def compile_dialect(tree: Branch, source: Source) -> DescribedDialect:
    """Raises Refused with every mistake that the file has."""
    reader = Reader()
    root = reader.mapping(tree, "the dialect", _NEEDS, _MAY) or {}
    version = value_of(root, "choreo_dialect")
    reader.integer(version, "choreo_dialect, the version of the description language,", VERSION, VERSION)
    sections = _read_sections(reader, root)
    _check(reader, root, sections)
    if reader.findings:
        raise Refused(reader.findings, {source.file: source.lines})
    return _build(sections)


class _Sections(NamedTuple):
    """The sections as far as they could be read. None: missing or wrong, and noted."""

    name: str | None
    title: str | None
    addressing: Addressing | None
    messages: Messages
    errors: Mapping[int, PlacedText]
    faults: Mapping[int, PlacedText]
    settings: Settings
    move_speed: PlacedScale | None
    permanent: list[str] | None
    loads: LoadRules | None
    stops: Stops | None
    position: tuple[PositionIs, str] | None
    latch_switch: str | None
    profile: Profile | None
    timing: Timing | None
    states: States | None
    watchdog: Watchdog | None
    scale_settings: Mapping[str, PlacedScaleSetting]


def _read_sections(reader: Reader, root: Mapping[str, Entry]) -> _Sections:
    order = reader.choice(value_of(root, "byte_order"), "byte_order", ("little", "big"))
    addressing = read_addressing(reader, value_of(root, "nodes"), value_of(root, "identifiers"))
    ranges = read_ranges(reader, value_of(root, "identifiers"), addressing)
    states = read_states(reader, value_of(root, "states"))
    words = None if states is None else states.words
    checksums = read_checksums(reader, value_of(root, "checksums"))
    before = len(reader.findings)
    context = Context(reader, ranges, addressing, cast(ByteOrder, order or "little"), checksums, words)
    messages = read_messages(context, root)
    if len(reader.findings) == before:  # all payloads could be read
        checksums.check_used(reader)
    settings = read_settings(reader, value_of(root, "settings"))
    names = [setting.value for setting in settings]
    return _Sections(
        name=reader.name(value_of(root, "name"), "the name of the dialect"),
        title=reader.text(value_of(root, "title"), "the title of the dialect"),
        addressing=addressing,
        messages=messages,
        errors=reader.codes(value_of(root, "errors"), "errors", 0),
        faults=reader.codes(value_of(root, "faults"), "faults", 1),  # 0 means that there is none
        settings=settings,
        move_speed=read_move_speed(reader, value_of(root, "move_speed"), settings),
        permanent=reader.choices(value_of(root, "permanent_settings"), "permanent_settings", names),
        loads=read_loads(reader, value_of(root, "loads")),
        stops=read_stops(reader, value_of(root, "stops"), settings),
        position=_read_position(reader, root, messages),
        latch_switch=_read_latch(reader, root, messages),
        profile=_read_profile(reader, root, settings),
        timing=read_timing(reader, value_of(root, "timing"), messages.named),
        states=states,
        watchdog=read_watchdog(reader, value_of(root, "watchdog"), messages.named),
        scale_settings=read_scale_settings(reader, value_of(root, "scale_settings")),
    )


def _read_position(reader: Reader, root: Mapping[str, Entry], messages: Messages) -> tuple[PositionIs, str] | None:
    entries = reader.mapping(value_of(root, "position"), "position", ("is", "message"))
    word = reader.choice(value_of(entries, "is"), "what the position is", ("actual", "demanded"))
    place = value_of(entries, "message")
    message = reader.text(place, "the message of position")
    if message is None or place is None:
        return None
    if message in messages.series:
        what = f"the position is read by `{message}`, which is several frames"
        reader.error("series", what, place.span, "Polling needs one frame and one reply: name another message.")
        return None
    reply = messages.replies.get(message)
    if reply is None and (message in messages.named or (message in MESSAGES and MESSAGES[message].needed)):
        return None  # it has a mistake of its own, or is missing: noted already
    if reply is None or "position" not in reply.fields:
        known = [name for name, placed in messages.replies.items() if "position" in placed.fields]
        what = f"the reply to `{message}` has no field `position`"
        reader.error("field-missing", what, place.span, near(message, known))
        return None
    return None if word is None else (cast(PositionIs, word), message)


def _read_latch(reader: Reader, root: Mapping[str, Entry], messages: Messages) -> str | None:
    place = value_of(reader.mapping(value_of(root, "latch"), "latch", ("switch",)), "switch")
    switch = reader.name(place, "the switch of the latch")
    if switch is not None and place is not None:
        conflicts.check_latch(reader, switch, place.span, messages)
    return switch


def _read_profile(reader: Reader, root: Mapping[str, Entry], settings: Settings) -> Profile | None:
    place = value_of(root, "profile")
    word = reader.choice(place, "profile", ("trapezoid", "jerk_limited"))
    if word == "jerk_limited" and place is not None and Setting.JERK not in settings:
        help = "Describe `jerk` under `settings:`: the predicted profile needs it."
        reader.error("missing-key", "the profile is jerk_limited, and there is no setting `jerk`", place.span, help)
    return cast(Profile | None, word)


def _check(reader: Reader, root: Mapping[str, Entry], sections: _Sections) -> None:
    messages = sections.messages
    conflicts.check_confusable(reader, messages)
    conflicts.check_one_reply_range(reader, messages)
    conflicts.check_settings(reader, sections.settings, sections.scale_settings, messages)
    conflicts.check_move_speed(reader, sections.move_speed, messages)
    conflicts.check_codes(reader, sections.errors, sections.faults, messages)
    conflicts.check_load_proof(reader, messages, () if sections.states is None else sections.states.words)
    states_tree = value_of(root, "states")
    conflicts.check_states(reader, sections.states, None if states_tree is None else states_tree.span, messages)
    conflicts.check_special(reader, sections.move_speed, sections.settings, messages)
    conflicts.check_counter(reader, messages)
    check_aborts(reader, reader.keys(value_of(root, "messages")), messages)


def _present(value: T | None) -> T:
    assert value is not None
    return value


def _build(found: _Sections) -> DescribedDialect:
    """Without findings nothing is missing: whatever could not be read has left one."""
    position_is, position_message = _present(found.position)
    stops = _present(found.stops)
    messages = found.messages
    settings = {setting: _present(placed) for setting, placed in found.settings.items()}
    return DescribedDialect(
        name=_present(found.name),
        title=_present(found.title),
        frames=Frames(
            addressing=_present(found.addressing),
            requests={name: placed.shape for name, placed in messages.requests.items()},
            replies={name: placed.shape for name, placed in messages.replies.items()},
            error_reply=messages.error_reply.shape if messages.error_reply else None,
            events={kind: placed.shape for kind, placed in messages.events.items()},
            series=messages.series,
        ),
        errors={code: placed.text for code, placed in found.errors.items()},
        faults={code: placed.text for code, placed in found.faults.items()},
        settings={setting: placed.scale for setting, placed in settings.items()},
        numbers={setting: placed.number for setting, placed in settings.items()},
        permanent_settings=frozenset(Setting(name) for name in _present(found.permanent)),
        move_speed=_present(found.move_speed).scale,
        loads=_present(found.loads),
        stop_ramp=stops.stop,
        quick_stop_ramp=stops.quick_stop,
        position_is=position_is,
        position_message=position_message,
        latch_switch=found.latch_switch,
        timing=_present(found.timing),
        profile=_present(found.profile),
        states={} if found.states is None else found.states.says,
        event_periods=messages.periods,
        watchdog=found.watchdog,
        scale_settings={name: placed.setting for name, placed in found.scale_settings.items()},
    )
