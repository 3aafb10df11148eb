"""The messages of a dialect file: requests and replies, the error reply, events."""

from collections.abc import Collection, Mapping
from typing import cast

from choreo.diagnostic import Span
from choreo.text.tree import Branch, Tree
from choreo.wire.described.frames.codec import Broadcast, Role
from choreo.wire.described.reading.reader import Entry, Reader, value_of
from choreo.wire.described.reading.speech.placed import Context, Messages
from choreo.wire.described.reading.speech.series import read_series
from choreo.wire.described.reading.speech.shapes import check_fields, check_rolling, read_shape
from choreo.wire.described.reading.speech.verbs import EVENTS, MESSAGES, TOGETHER, MessageRule
from choreo.wire.words import FrameClass

_CLASSES = tuple(frame_class.value for frame_class in FrameClass)
_MAY_BE_BROADCAST = "Only the start trigger and stops may be broadcast (practice.md P3)."


def read_messages(context: Context, root: Mapping[str, Entry] | None) -> Messages:
    """`messages:`, `error_reply:` and `events:` of a file whose top level is `root`."""
    found = Messages()
    reader = context.reader
    tree = value_of(root, "messages")
    entries = reader.open_mapping(tree, "messages")
    if entries is not None and tree is not None:
        meant = reader.unknown_keys(entries, "messages", MESSAGES)
        found.named.extend(meant)
        _check_complete(reader, entries, meant, tree.span)
    for name, entry in (entries or {}).items():
        if name in MESSAGES:
            found.named.append(name)
            _read_message(context, name, entry, found)
    _read_error_reply(context, value_of(root, "error_reply"), found)
    _read_events(context, value_of(root, "events"), found)
    return found


def _check_complete(reader: Reader, entries: Mapping[str, Entry], meant: Collection[str], at: Span) -> None:
    for name, rule in MESSAGES.items():
        if rule.needed and name not in entries and name not in meant:
            reader.error("message-missing", f"message `{name}` is missing; choreo needs it", at, f"Describe `{name}`.")
    for group in TOGETHER:
        present = [name for name in group if name in entries]
        for name in group:
            if present and name not in entries and name not in meant:
                what = f"message `{name}` is missing; `{present[0]}` is of use only together with it"
                reader.error("message-missing", what, entries[present[0]].key.span, f"Describe `{name}` too.")


def _read_message(context: Context, name: str, entry: Entry, found: Messages) -> None:
    reader, rule = context.reader, context.rule(name)
    if "frames" in (reader.keys(entry.value) or {}):
        parts = reader.mapping(entry.value, f"message {name}", ("class", "frames", "within"), ("gap", "abort"))
        if parts is not None:
            _check_class(reader, name, value_of(parts, "class"), rule)
            read_series(context, name, entry, parts, found)
        return
    before = len(reader.findings)
    parts = reader.mapping(entry.value, f"message {name}", needs=("class", "request"), may=("reply", "broadcast"))
    known = len(reader.findings) == before
    if parts is None:
        return
    _check_class(reader, name, value_of(parts, "class"), rule)
    broadcast = _read_broadcast(context, name, value_of(parts, "broadcast"), rule)
    if rule.must_broadcast and broadcast == "never" and known:
        headline = f"message {name} is not broadcast: it would start one drive, and the others would stay"
        help = "Write `broadcast: only`, or `allowed`; a drive without such a frame cannot be loaded (practice.md P3)."
        reader.error("broadcast", headline, entry.key.span, help)
    what = f"the request of {name}"
    request = read_shape(context, value_of(parts, "request"), what)
    if request is not None:
        check_fields(reader, request.payload, what, rule.request, rule.may_request)
        found.requests[name] = request.placed(name, Role.REQUEST, what, rule.frame_class, broadcast)
    _read_reply(context, name, entry, value_of(parts, "reply"), found)
    check_rolling(reader, found.requests.get(name), found.replies.get(name))


def _check_class(reader: Reader, name: str, tree: Tree | None, rule: MessageRule) -> None:
    frame_class = reader.choice(tree, f"the class of {name}", _CLASSES)
    if tree is not None and frame_class not in (None, rule.frame_class):
        what = f"message {name} is of class `{frame_class}`, and what it does is of class `{rule.frame_class.value}`"
        help = f"Write `class: {rule.frame_class.value}`: the guard decides by the class."
        reader.error("class", what, tree.span, help)


def _read_broadcast(context: Context, name: str, tree: Tree | None, rule: MessageRule) -> Broadcast:
    reader = context.reader
    word = reader.choice(tree, f"broadcast of {name}", ("never", "allowed", "only"))
    if word is None or tree is None or word == "never":
        return "never"
    if not rule.may_broadcast:
        reader.error("broadcast", f"message {name} must not be broadcast", tree.span, _MAY_BE_BROADCAST)
        return "never"
    if context.addressing is not None and context.addressing.broadcast is None:
        what = f"message {name} is broadcast, and no node number means all nodes"
        reader.error("broadcast", what, tree.span, "Add `broadcast:` to `nodes:`.")
    return cast(Broadcast, word)


def _read_reply(context: Context, name: str, entry: Entry, tree: Tree | None, found: Messages) -> None:
    reader, rule = context.reader, context.rule(name)
    if tree is None:
        if rule.needs_reply and isinstance(entry.value, Branch) and "reply" not in entry.value:
            what = f"message {name} has no reply, and choreo cannot do without it"
            reader.error("reply-missing", what, entry.key.span, "Describe the drive's answer under `reply:`.")
        return
    what = f"the reply to {name}"
    reply = read_shape(context, tree, what, means=True, several=True)
    if reply is not None:
        check_fields(reader, reply.payload, what, rule.reply, rule.may_reply, any_bits=rule.any_bits)
        found.replies[name] = reply.placed(name, Role.REPLY, what)


def _read_error_reply(context: Context, tree: Tree | None, found: Messages) -> None:
    read = read_shape(context, tree, "error_reply", several=True)
    if read is None:
        return
    check_fields(context.reader, read.payload, "error_reply", ("error",), ("refused",))
    found.error_reply = read.placed("error_reply", Role.ERROR, "error_reply")
    check_rolling(context.reader, None, found.error_reply)


def _read_events(context: Context, tree: Tree | None, found: Messages) -> None:
    reader = context.reader
    for kind, entry in (reader.mapping(tree, "events", may=tuple(EVENTS)) or {}).items():
        rule = EVENTS[kind]
        read = read_shape(context, entry.value, f"event {kind}", several=True, may=("every",))
        every = value_of(reader.keys(entry.value), "every")
        period = reader.time(every, f"`every` of event {kind}", True)
        if period is not None:
            found.periods[kind] = period
        if read is None:
            continue
        check_fields(reader, read.payload, f"event {kind}", rule.needs, rule.may, any_bits=rule.any_bits)
        found.events[kind] = read.placed(kind, Role.EVENT, f"event {kind}")
        check_rolling(reader, None, found.events[kind])
