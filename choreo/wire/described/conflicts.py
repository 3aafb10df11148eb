"""What the parts of a dialect file must agree on: a value that is written in one place must fit a field in another."""

from collections.abc import Iterable, Mapping

from choreo.diagnostic import Mark, Span
from choreo.wire.described.codec import Means
from choreo.wire.described.messages import Messages, Placed
from choreo.wire.described.reading import Reader
from choreo.wire.described.sections import PlacedScale, PlacedText, Settings
from choreo.wire.described.verbs import LATCH


def check_confusable(reader: Reader, messages: Messages) -> None:
    """No two frames on one identifier range may look alike."""
    placed = messages.all()
    for index, one in enumerate(placed):
        for other in placed[index + 1 :]:
            if one.shape.base == other.shape.base and one.shape.layout.could_be(other.shape.layout):
                reader.error(
                    "confusable",
                    f"{other.what} and {one.what} can be the same frame: same identifiers, same length of "
                    f"{one.shape.layout.size} bytes, and no constant in which they differ",
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
        if other.shape.base != answers[0].shape.base:
            what = f"{other.what} is on other identifiers than {answers[0].what}"
            help = "All answers of a drive must come on one identifier range: choreo waits there."
            reader.error("reply-range", what, other.span, help, Mark(answers[0].span, answers[0].what))


def check_settings(reader: Reader, settings: Settings, messages: Messages) -> None:
    """Numbers and raw values of every setting fit the fields of `read_setting` and `write_setting`."""
    read, write = messages.requests.get("read_setting"), messages.requests.get("write_setting")
    value = messages.replies.get("read_setting")
    for setting, placed in settings.items():
        if placed is None:
            continue
        what = f"setting {setting}"
        number = [(placed.number, placed.span)]
        _check_holds(reader, f"the number of {what}", number, [(read, "number"), (write, "number")])
        _check_holds(reader, f"the raw value of {what}", placed.extremes, [(value, "value"), (write, "value")])


def check_move_speed(reader: Reader, speed: PlacedScale | None, messages: Messages) -> None:
    """The speed of a move fits the `speed` fields."""
    if speed is not None:
        fields = [(messages.requests.get(name), "speed") for name in ("move", "preload")]
        _check_holds(reader, "the raw speed of a move", speed.extremes, fields)


def check_codes(
    reader: Reader, errors: Mapping[int, PlacedText], faults: Mapping[int, PlacedText], messages: Messages
) -> None:
    """Every code that has a meaning can arrive; the selector that an error reply names exists and can arrive."""
    error_codes = [(code, placed.span) for code, placed in errors.items()]
    _check_holds(reader, "error code", error_codes, [(messages.error_reply, "error")])
    fault_codes = [(code, placed.span) for code, placed in faults.items()]
    fields = [(messages.replies.get("status"), "fault"), (messages.events.get("fault"), "fault")]
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
    inputs = messages.replies.get("read_inputs")
    if "read_inputs" not in messages.named:
        help = "Describe `read_inputs`, so that the switch can be read, or take `latch:` out."
        reader.error("message-missing", "a latch is described, and message `read_inputs` is missing", at, help)
    elif inputs is not None and switch not in inputs.fields:
        help = f"Name one of the bits of the reply to read_inputs: {', '.join(inputs.fields)}."
        reader.error("value", f"the switch of the latch is `{switch}`, which read_inputs does not have", at, help)


def check_load_proof(reader: Reader, messages: Messages) -> None:
    """That a drive holds a load can be proved before the trigger (practice.md P4): by its reply, or by a status bit."""
    reply, status = messages.replies.get("preload"), messages.replies.get("status")
    if reply is None or status is None or reply.shape.means is not Means.RECEIVED or "loaded" in status.fields:
        return
    what = "a load cannot be proved: the reply to preload means `received` only, and the status has no bit `loaded`"
    help = "If the status has a bit for a waiting load, call it `loaded`; otherwise this drive cannot preload."
    reader.error("load-unproved", what, reply.span, help, Mark(status.span, "has no bit `loaded`"))


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
    return low <= value <= high
