"""A verb that takes several frames, as a dialect file writes it."""

from collections.abc import Mapping

from choreo.diagnostic import Mark
from choreo.text.tree import Tree
from choreo.wire.described.dialect import Series
from choreo.wire.described.frames.codec import Role
from choreo.wire.described.frames.fields import ROLLING
from choreo.wire.described.reading.reader import Entry, Reader, near, value_of
from choreo.wire.described.reading.speech.placed import Context, Messages, Placed
from choreo.wire.described.reading.speech.shapes import check_rolling, read_shape
from choreo.wire.described.reading.speech.verbs import SINGLE
from choreo.wire.words import FrameClass

_MOST_FRAMES = 8
#: What may undo a part: nothing that moves or powers an axis.
_UNDOES = (FrameClass.CLEARS, FrameClass.STOPS, FrameClass.DISABLES, FrameClass.NEUTRAL)
_UNDONE = (FrameClass.LOADS, FrameClass.MOVES)


def read_series(context: Context, name: str, entry: Entry, parts: Mapping[str, Entry], found: Messages) -> None:
    """The frames of message `name`, under `name.1`, `name.2` and so on."""
    reader = context.reader
    if name in SINGLE:
        help = "It must be one frame: nothing may come between its parts."
        reader.error("series", f"message {name} cannot be several frames", parts["frames"].key.span, help)
        return
    gap = reader.time(value_of(parts, "gap"), f"the gap of {name}", False) if "gap" in parts else 0
    within = reader.time(value_of(parts, "within"), f"within of {name}", True)
    abort = _read_abort(context, name, entry, value_of(parts, "abort"))
    frames_tree = value_of(parts, "frames")
    frames = reader.items(frames_tree, f"the frames of {name}")
    if frames is None or frames_tree is None:
        return
    if not 2 <= len(frames) <= _MOST_FRAMES:
        help = "One frame is written as `request:` and `reply:`."
        headline = f"message {name} has {len(frames)} frames under `frames:`, and can have 2 to {_MOST_FRAMES}"
        reader.error("series", headline, frames_tree.span, help)
        return
    names = tuple(f"{name}.{number}" for number in range(1, len(frames) + 1))
    read = [_read_frame(context, name, part, tree, found) for part, tree in zip(names, frames, strict=True)]
    if all(read):
        _check_fields(context, name, names, frames_tree, found)
        _check_last_reply(context, name, names[-1], frames[-1], found)
    if gap is not None and within is not None:
        found.series[name] = Series(names, gap, within, abort)


def _read_abort(context: Context, name: str, entry: Entry, tree: Tree | None) -> str | None:
    reader, rule = context.reader, context.rule(name)
    if tree is None:
        if rule.frame_class in _UNDONE and "abort" not in (reader.keys(entry.value) or {}):
            help = "Write `abort: clear_load`, or the message that makes the drive forget a part."
            headline = f"message {name} has no `abort`, and a part of it could be left in the drive"
            reader.error("missing-key", headline, entry.key.span, help)
        return None
    return reader.text(tree, f"abort of {name}")


def _read_frame(context: Context, name: str, part: str, tree: Tree, found: Messages) -> bool:
    """Whether it could be read."""
    reader = context.reader
    entries = reader.mapping(tree, f"frame {part}", ("request",), ("reply",))
    what, answer = f"the request of {part}", f"the reply to {part}"
    request = read_shape(context, value_of(entries, "request"), what)
    if request is not None:
        found.requests[part] = request.placed(part, Role.REQUEST, what, context.rule(name).frame_class)
    reply_tree = value_of(entries, "reply")
    reply = read_shape(context, reply_tree, answer, means=True, several=True)
    if reply is not None:
        found.replies[part] = reply.placed(part, Role.REPLY, answer)
    check_rolling(reader, found.requests.get(part), found.replies.get(part))
    return request is not None and (reply is not None or reply_tree is None)


def _check_fields(context: Context, name: str, names: tuple[str, ...], tree: Tree, found: Messages) -> None:
    """Each field of the verb stands in one part; so does each field of the answer."""
    rule = context.rule(name)
    requests = [found.requests[part] for part in names]
    replies = [found.replies[part] for part in names if part in found.replies]
    _each_once(context.reader, f"the requests of {name}", tree, requests, rule.request, rule.may_request, once=True)
    _each_once(context.reader, f"the replies to {name}", tree, replies, rule.reply, rule.may_reply, once=False)


def _each_once(
    reader: Reader,
    what: str,
    tree: Tree,
    frames: list[Placed],
    needs: tuple[str, ...],
    may: tuple[str, ...],
    *,
    once: bool,
) -> None:
    places: dict[str, Placed] = {}
    for placed in frames:
        for field, span in placed.fields.items():
            if field == ROLLING:
                continue
            if field not in needs and field not in may:
                help = f"{near(field, [*needs, *may])} Bits that mean nothing to choreo are {{ignored: 8}}."
                headline = f"{placed.what} has a field `{field}` that choreo does not know"
                reader.error("unknown-field", headline, span, help)
            elif field in places and (once or field in needs):
                first = Mark(places[field].fields[field], "the first one")
                headline = f"{placed.what} has the field `{field}`, which {places[field].what} has already"
                reader.error(
                    "duplicate", headline, span, "A field of a verb stands in exactly one of its frames.", first
                )
            places.setdefault(field, placed)
    for field in needs:
        if field not in places:
            reader.error(
                "field-missing", f"{what} have no field `{field}`", tree.span, f"Add `{field}` to one of them."
            )


def _check_last_reply(context: Context, name: str, last: str, tree: Tree, found: Messages) -> None:
    if context.rule(name).needs_reply and last not in found.replies:
        what = f"the last frame of {name} has no reply, and choreo cannot do without it"
        context.reader.error("reply-missing", what, tree.span, "Describe the drive's answer under `reply:`.")


def check_aborts(reader: Reader, entries: Mapping[str, Entry] | None, found: Messages) -> None:
    """Every `abort` is a message of one frame that moves nothing and needs no values. Looked at when all are read."""
    for name, series in found.series.items():
        if series.abort is None:
            continue
        tree = value_of(reader.keys(value_of(entries, name)), "abort")
        able = [
            other
            for other, placed in found.requests.items()
            if placed.shape.frame_class in _UNDOES and not set(placed.fields) - {ROLLING} and "." not in other
        ]
        if tree is not None and series.abort not in able and (series.abort not in found.named or series.abort == name):
            headline = f"abort of {name} is `{series.abort}`, which is no message here"
            reader.error("value", headline, tree.span, near(series.abort, able))
        elif tree is not None and series.abort not in able and series.abort in found.requests:
            headline = (
                f"abort of {name} is `{series.abort}`, which cannot undo a part: it needs values, or does something"
            )
            reader.error("series", headline, tree.span, f"Name one of {', '.join(able)}.")
