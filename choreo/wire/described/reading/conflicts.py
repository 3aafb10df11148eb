"""What the parts of a dialect file must agree on: a value that is written in one place must fit a field in another."""

from collections.abc import Collection, Iterable, Mapping

from choreo.diagnostic import Mark, Span
from choreo.wire.described.frames.codec import Means
from choreo.wire.described.frames.fields import ROLLING
from choreo.wire.described.reading.behaviour import States
from choreo.wire.described.reading.reader import PlacedText, Reader
from choreo.wire.described.reading.scaling import PlacedScale
from choreo.wire.described.reading.settings import PlacedScaleSetting, Settings
from choreo.wire.described.reading.speech.placed import Messages, Placed
from choreo.wire.described.reading.speech.verbs import LATCH
from choreo.wire.dialect import Scale


def check_confusable(reader: Reader, messages: Messages) -> None:
    """No two frames on one identifier range may look alike, in any of their lengths."""
    placed = messages.all()
    for index, one in enumerate(placed):
        for other in placed[index + 1 :]:
            if one.shape.ids != other.shape.ids:
                continue
            size = one.shape.layout.could_be(other.shape.layout)
            if size is not None:
                reader.error(
                    "confusable",
                    f"{other.what} and {one.what} can be the same frame: same identifiers, same length of "
                    f"{size} bytes, and no constant in which they differ",
                    other.span,
                    "Give them different constants, lengths or identifier ranges, as the drive's manual says.",
                    Mark(one.span, one.what),
                )


def check_one_reply_range(reader: Reader, messages: Messages) -> None:
    """The replies and the error reply come on one range of identifiers: a conversation waits on one."""
    answers = list(messages.replies.values())
    if messages.error_reply is not None:
        answers.append(messages.error_reply)
    for other in answers[1:]:
        if other.shape.ids != answers[0].shape.ids:
            what = f"{other.what} is on other identifiers than {answers[0].what}"
            help = "All answers of a drive must come on one identifier range: choreo waits there."
            reader.error("reply-range", what, other.span, help, Mark(answers[0].span, answers[0].what))


def check_settings(
    reader: Reader, settings: Settings, scale: Mapping[str, PlacedScaleSetting], messages: Messages
) -> None:
    """Numbers and raw values of every setting fit the fields of `read_setting` and `write_setting`."""
    reads, writes = messages.requests_of("read_setting"), messages.requests_of("write_setting")
    numbers = [(placed, "number") for placed in (*reads, *writes)]
    values = [(placed, "value") for placed in (*messages.replies_of("read_setting"), *writes)]
    for setting, placed in settings.items():
        if placed is None:
            continue
        what = f"setting {setting}"
        number = [(placed.number, placed.span)]
        _check_holds(reader, f"the number of {what}", number, numbers)
        _check_holds(reader, f"the raw value of {what}", placed.extremes, values)
    taken = {placed.number: (setting, placed.span) for setting, placed in settings.items() if placed is not None}
    for name, other in scale.items():
        number = [(other.setting.number, other.span)]
        _check_holds(reader, f"the number of {name}", number, [(placed, "number") for placed in reads])
        if other.setting.number in taken:
            setting, span = taken[other.setting.number]
            first = Mark(span, f"setting {setting}")
            headline = f"{name} has number {other.setting.number}, as another has"
            reader.error("duplicate", headline, other.span, "Give each its own.", first)


def check_move_speed(reader: Reader, speed: PlacedScale | None, messages: Messages) -> None:
    """The speed of a move fits the `speed` fields."""
    if speed is not None:
        frames = [placed for name in ("move", "preload") for placed in messages.requests_of(name)]
        _check_holds(reader, "the raw speed of a move", speed.extremes, [(placed, "speed") for placed in frames])


def check_codes(
    reader: Reader, errors: Mapping[int, PlacedText], faults: Mapping[int, PlacedText], messages: Messages
) -> None:
    """Every code that has a meaning can arrive; the selector that an error reply names exists and can arrive."""
    error_codes = [(code, placed.span) for code, placed in errors.items()]
    _check_holds(reader, "error code", error_codes, [(messages.error_reply, "error")])
    fault_codes = [(code, placed.span) for code, placed in faults.items()]
    said = [*messages.replies_of("status"), messages.events.get("fault"), messages.events.get("status")]
    fields = [(placed, "fault") for placed in said]
    _check_holds(reader, "fault code", fault_codes, fields)
    _check_refused(reader, messages)


def _check_refused(reader: Reader, messages: Messages) -> None:
    error = messages.error_reply
    if error is None or "refused" not in error.fields:
        return
    for name, request in messages.requests.items():
        selector = request.shape.layout.selector
        if name in messages.replies and selector is None:
            reader.error(
                "selector-missing",
                f"{request.what} has no constant, so the error reply cannot name it in its field `refused`",
                request.span,
                "Begin the request with its constant, or take `refused` out of the error reply.",
                Mark(error.fields["refused"], "refused"),
            )
        elif name in messages.replies and selector is not None:
            _check_holds(
                reader, f"the first constant of {request.what}", [(selector, request.span)], [(error, "refused")]
            )


def check_latch(reader: Reader, switch: str, at: Span, messages: Messages) -> None:
    """A latch needs its three messages and a switch that can be read (practice.md P19)."""
    if not any(name in messages.named for name in LATCH):  # where one is there, the others are asked for elsewhere
        help = f"Describe {', '.join(LATCH)}, or take `latch:` out."
        reader.error("message-missing", "a latch is described, and none of the messages that use it", at, help)
    inputs = messages.replies_of("read_inputs")
    known = [name for placed in inputs for name in placed.fields if name != ROLLING]
    if "read_inputs" not in messages.named:
        help = "Describe `read_inputs`, so that the switch can be read, or take `latch:` out."
        reader.error("message-missing", "a latch is described, and message `read_inputs` is missing", at, help)
    elif inputs and switch not in known:
        help = f"Name one of the bits of the reply to read_inputs: {', '.join(known)}."
        reader.error("value", f"the switch of the latch is `{switch}`, which read_inputs does not have", at, help)


def check_load_proof(reader: Reader, messages: Messages, state_words: Collection[str]) -> None:
    """
    That a drive holds a load can be proved before the trigger (practice.md P4): by its (last) reply, or by its status.
    """
    replies, states = messages.replies_of("preload"), messages.replies_of("status")
    if not replies or not states or replies[-1].shape.means is not Means.RECEIVED or "loaded" in state_words:
        return
    reply, status = replies[-1], states[-1]
    if any("loaded" in placed.fields for placed in states):
        return
    what = "a load cannot be proved: the reply to preload means `received` only, and the status has no bit `loaded`"
    help = "If the status has a bit for a waiting load, call it `loaded`; otherwise this drive cannot preload."
    reader.error("load-unproved", what, reply.span, help, Mark(status.span, "has no bit `loaded`"))


def check_states(reader: Reader, states: States | None, at: Span | None, messages: Messages) -> None:
    """Coded states stand in a field `state` of the status, wide enough for each; nothing is said twice."""
    said = [*messages.replies_of("status"), *([messages.events["status"]] if "status" in messages.events else [])]
    for placed in said:
        if "state" in placed.fields and states is None:
            headline = f"{placed.what} has a field `state`, and no `states` say what it means"
            reader.error("states", headline, placed.fields["state"], "Add `states:`, with every code of the manual.")
        if states is None or "state" not in placed.fields:
            continue
        for word in sorted(states.words & set(placed.fields)):
            headline = f"{placed.what} says `{word}` with a field, and with a coded state too"
            reader.error("states", headline, placed.fields[word], "Keep one of the two.", *([Mark(at)] if at else []))
    if states is not None:
        codes = list(states.places.items())
        _check_holds(reader, "the code of a state", codes, [(placed, "state") for placed in said])


#: What is counted from a place: a value in the middle that means something else would be a hole in the way.
_PLACES = ("position", "target", "edge")


def check_special(reader: Reader, speed: PlacedScale | None, settings: Settings, messages: Messages) -> None:
    """
    Special values of fields: at the ends of the range of a place or of a counter, and not among the raw values that
    rounding may produce.
    """
    for placed in messages.all():
        for field, special in placed.shape.layout.special.items():
            low, high = placed.shape.layout.ranges[field]
            inside = sorted(value for value in special if low < value < high)
            if inside and field in (*_PLACES, "count"):
                headline = f"{inside[0]} means {special[inside[0]]!r} for the field {field} of {placed.what}, "
                headline += f"and lies within {low} to {high}"
                help = "Give the field `from` and `to` that leave special values outside."
                reader.error("special", headline, placed.fields[field], help)
            if field == "speed" and speed is not None:
                _check_not_rounded_to(reader, speed.scale, speed.extremes[-1][1], placed, field)
            for setting in settings.values() if field == "value" else ():
                if setting is not None:
                    _check_not_rounded_to(reader, setting.scale, setting.extremes[-1][1], placed, field)


def _check_not_rounded_to(reader: Reader, scale: Scale, at: Span, placed: Placed, field: str) -> None:
    for value, text in placed.shape.layout.special[field].items():
        if scale.minimum <= value <= scale.maximum and value not in (scale.special or {}):
            headline = f"raw value {value} means {text!r} for the field {field} of {placed.what}, and an amount too"
            help = "Name it under `special:` of the setting, or narrow `from` and `to` there."
            reader.error("special", headline, at, help, Mark(placed.fields[field]))


def check_counter(reader: Reader, messages: Messages) -> None:
    """The counter of an echo counts from 0."""
    for placed in (*messages.requests_of("echo"), *messages.replies_of("echo")):
        low, high = placed.shape.layout.ranges.get("count", (0, 1))
        if low > 0 or high < 1:
            headline = f"the counter of {placed.what} goes from {low} to {high}, and must begin at 0"
            reader.error("value", headline, placed.fields["count"], "Leave out `from`, or write `from: 0`.")


def _check_holds(
    reader: Reader, what: str, values: Iterable[tuple[int, Span]], fields: Iterable[tuple[Placed | None, str]]
) -> None:
    places = [(placed, name) for placed, name in fields if placed is not None and name in placed.fields]
    for value, span in values:
        narrow = [(placed, name) for placed, name in places if not _holds(placed, name, value)]
        if narrow:
            placed, name = narrow[0]
            low, high = placed.shape.layout.ranges[name]
            reader.error(
                "field-too-narrow",
                f"{what} can be {value}, and the field {name} of {placed.what} holds {low} to {high}",
                span,
                "Widen the field, or narrow the range, as the drive's manual says.",
                *[Mark(its.fields[name], f"too narrow in {its.what}") for its, name in narrow],
            )


def _holds(placed: Placed, name: str, value: int) -> bool:
    low, high = placed.shape.layout.ranges[name]
    return low <= value <= high or value in placed.shape.layout.special.get(name, {})
