"""The messages of a dialect file: requests and replies, the error reply, events."""

from collections.abc import Collection, Mapping
from typing import NamedTuple, cast

from choreo.diagnostic import Span
from choreo.text.tree import Branch, Tree
from choreo.wire.described.codec import Addressing, Broadcast, Means, Role, Shape
from choreo.wire.described.fields import Bits, ByteOrder
from choreo.wire.described.payloads import Payload, Ranges, read_payload
from choreo.wire.described.reading import Entry, Reader, near, value_of
from choreo.wire.described.verbs import EVENTS, MESSAGES, TOGETHER, MessageRule
from choreo.wire.words import FrameClass

_CLASSES = tuple(frame_class.value for frame_class in FrameClass)
_MAY_BE_BROADCAST = "Only the start trigger and stops may be broadcast (practice.md P3)."


class Placed(NamedTuple):
    """A shape, how it is called in a message, and where it and its fields stand."""

    shape: Shape
    what: str
    span: Span
    fields: Mapping[str, Span]


class Messages:
    """What could be read, by message or kind of event; `named` is what the file names, readable or not."""

    def __init__(self) -> None:
        self.requests: dict[str, Placed] = {}
        self.replies: dict[str, Placed] = {}
        self.events: dict[str, Placed] = {}
        self.error_reply: Placed | None = None
        self.named: list[str] = []

    def all(self) -> list[Placed]:
        """Every shape, in the order of the file."""
        error = [] if self.error_reply is None else [self.error_reply]
        return [*self.requests.values(), *self.replies.values(), *error, *self.events.values()]


class Context(NamedTuple):
    """What every message of a file is read with."""

    reader: Reader
    ranges: Ranges
    addressing: Addressing | None
    order: ByteOrder


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
            _read_message(context, name, entry, MESSAGES[name], found)
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


def _read_message(context: Context, name: str, entry: Entry, rule: MessageRule, found: Messages) -> None:
    reader = context.reader
    parts = reader.mapping(entry.value, f"message {name}", needs=("class", "request"), may=("reply", "broadcast"))
    if parts is None:
        return
    class_tree = value_of(parts, "class")
    frame_class = reader.choice(class_tree, f"the class of {name}", _CLASSES)
    if class_tree is not None and frame_class not in (None, rule.frame_class):
        what = f"message {name} is of class `{frame_class}`, and what it does is of class `{rule.frame_class.value}`"
        help = f"Write `class: {rule.frame_class.value}`: the guard decides by the class."
        reader.error("class", what, class_tree.span, help)
    broadcast = _read_broadcast(context, name, value_of(parts, "broadcast"), rule)
    request = _read_shape(context, value_of(parts, "request"), f"the request of {name}")
    if request is not None:
        payload, base, _ = request
        _check_fields(reader, payload, f"the request of {name}", rule.request, rule.may_request)
        shape = Shape(name, Role.REQUEST, rule.frame_class, base, payload.layout, broadcast)
        found.requests[name] = Placed(shape, f"the request of {name}", payload.span, payload.fields)
    _read_reply(context, name, entry, value_of(parts, "reply"), rule, found)


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


def _read_reply(
    context: Context, name: str, entry: Entry, tree: Tree | None, rule: MessageRule, found: Messages
) -> None:
    reader = context.reader
    if tree is None:
        if rule.needs_reply and isinstance(entry.value, Branch) and "reply" not in entry.value:
            what = f"message {name} has no reply, and choreo cannot do without it"
            reader.error("reply-missing", what, entry.key.span, "Describe the drive's answer under `reply:`.")
        return
    reply = _read_shape(context, tree, f"the reply to {name}", means=True)
    if reply is None:
        return
    payload, base, means = reply
    _check_fields(reader, payload, f"the reply to {name}", rule.reply, rule.may_reply, any_bits=rule.any_bits)
    shape = Shape(name, Role.REPLY, FrameClass.NEUTRAL, base, payload.layout, means=means)
    found.replies[name] = Placed(shape, f"the reply to {name}", payload.span, payload.fields)


def _read_shape(
    context: Context, tree: Tree | None, what: str, *, means: bool = False
) -> tuple[Payload, int, Means | None] | None:
    reader = context.reader
    parts = reader.mapping(tree, what, needs=("on", "payload", "means") if means else ("on", "payload"))
    word = reader.choice(value_of(parts, "means"), f"means of {what}", tuple(Means)) if means else None
    range_tree = value_of(parts, "on")
    range_name = reader.text(range_tree, f"the identifier range of {what}")
    payload = read_payload(reader, value_of(parts, "payload"), what, context.order)
    if range_name is None or range_tree is None:
        return None
    if range_name not in context.ranges:
        help = near(range_name, context.ranges)
        reader.error("value", f"{what} is on `{range_name}`, which is no identifier range", range_tree.span, help)
        return None
    range_ = context.ranges[range_name]
    if payload is None or range_ is None:
        return None
    return payload, range_.base, None if word is None else Means(word)


def _check_fields(
    reader: Reader,
    payload: Payload,
    what: str,
    needs: Collection[str],
    may: Collection[str] = (),
    *,
    any_bits: bool = False,
) -> None:
    for name in needs:
        if name not in payload.fields:
            reader.error(
                "field-missing", f"{what} has no field `{name}`", payload.span, f"Add `{name}` to its payload."
            )
    free = {bit for part in payload.layout.parts if any_bits and isinstance(part, Bits) for bit in part.names}
    for name, span in payload.fields.items():
        if name not in needs and name not in may and name not in free:
            unused = [known for known in (*needs, *may) if known not in payload.fields]
            help = f"{near(name, unused)} Bytes that mean nothing to choreo are {{ignored: 8}}, such bits are -."
            reader.error("unknown-field", f"{what} has a field `{name}` that choreo does not know", span, help)


def _read_error_reply(context: Context, tree: Tree | None, found: Messages) -> None:
    read = _read_shape(context, tree, "error_reply")
    if read is None:
        return
    payload, base, _ = read
    _check_fields(context.reader, payload, "error_reply", ("error",), ("refused",))
    shape = Shape("error_reply", Role.ERROR, FrameClass.NEUTRAL, base, payload.layout)
    found.error_reply = Placed(shape, "error_reply", payload.span, payload.fields)


def _read_events(context: Context, tree: Tree | None, found: Messages) -> None:
    entries = context.reader.mapping(tree, "events", may=tuple(EVENTS))
    for kind, entry in (entries or {}).items():
        read = _read_shape(context, entry.value, f"event {kind}")
        if read is None:
            continue
        payload, base, _ = read
        _check_fields(context.reader, payload, f"event {kind}", EVENTS[kind], any_bits=kind == "inputs")
        shape = Shape(kind, Role.EVENT, FrameClass.NEUTRAL, base, payload.layout)
        found.events[kind] = Placed(shape, f"event {kind}", payload.span, payload.fields)
