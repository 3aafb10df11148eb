"""One frame of a dialect file: its identifier range, its payload or payloads, what it proves, its counter."""

from collections.abc import Collection
from typing import NamedTuple

from choreo.diagnostic import Mark
from choreo.text.tree import Tree
from choreo.wire.described.frames.codec import Broadcast, Means, Role, Rolling, Shape
from choreo.wire.described.frames.fields import ROLLING, Bits
from choreo.wire.described.frames.fields import Rolling as RollingPart
from choreo.wire.described.frames.identifiers import IdRange
from choreo.wire.described.frames.layout import Layout
from choreo.wire.described.reading.reader import Reader, near, value_of
from choreo.wire.described.reading.speech.payloads import Payload, read_payload, read_payloads
from choreo.wire.described.reading.speech.placed import Context, Placed
from choreo.wire.words import FrameClass


class ReadShape(NamedTuple):
    """What could be read of a frame."""

    payload: Payload
    ids: IdRange
    means: Means | None
    rolling: Rolling | None

    def placed(
        self,
        message: str,
        role: Role,
        what: str,
        frame_class: FrameClass = FrameClass.NEUTRAL,
        broadcast: Broadcast = "never",
    ) -> Placed:
        """The shape of a message, or of a kind of event; what a drive says is neutral."""
        layout = self.payload.layout
        shape = Shape(message, role, frame_class, self.ids, layout, broadcast, self.means, self.rolling)
        return Placed(shape, what, self.payload.span, self.payload.fields)


def read_shape(
    context: Context,
    tree: Tree | None,
    what: str,
    *,
    means: bool = False,
    several: bool = False,
    may: tuple[str, ...] = (),
) -> ReadShape | None:
    """None, with findings, where something is missing. `several`: it may have `payloads` of different lengths."""
    reader = context.reader
    lengths = several and "payloads" in (reader.keys(tree) or {})
    needs = ("on", "payloads" if lengths else "payload", *(("means",) if means else ()))
    parts = reader.mapping(tree, what, needs, may)
    word = reader.choice(value_of(parts, "means"), f"means of {what}", tuple(Means)) if means else None
    range_tree = value_of(parts, "on")
    range_name = reader.text(range_tree, f"the identifier range of {what}")
    if lengths:
        payload = read_payloads(context, value_of(parts, "payloads"), what)
    else:
        payload = read_payload(context, value_of(parts, "payload"), what)
    if range_name is None or range_tree is None:
        return None
    if range_name not in context.ranges:
        help = near(range_name, context.ranges)
        reader.error("value", f"{what} is on `{range_name}`, which is no identifier range", range_tree.span, help)
        return None
    range_ = context.ranges[range_name]
    if payload is None or range_ is None:
        return None
    return ReadShape(payload, range_.ids, None if word is None else Means(word), _rolling(payload.layout))


def _rolling(layout: Layout) -> Rolling | None:
    for parts in layout.alternatives:
        for part in parts:
            if isinstance(part, RollingPart):
                return Rolling(part.bits, part.echoed)
    return None


def check_fields(
    reader: Reader,
    payload: Payload,
    what: str,
    needs: Collection[str],
    may: Collection[str] = (),
    *,
    any_bits: bool = False,
) -> None:
    """The fields that are needed are there, in every length; others are known."""
    for name in needs:
        if name not in payload.in_all:
            where = " in each of its lengths" if name in payload.fields else ""
            headline = f"{what} has no field `{name}`{where}"
            reader.error("field-missing", headline, payload.span, f"Add `{name}` to its payload.")
    free = {
        bit
        for parts in payload.layout.alternatives
        for part in parts
        if any_bits and isinstance(part, Bits)
        for bit in part.ranges
    }
    for name, span in payload.fields.items():
        if name not in needs and name not in may and name not in free and name != ROLLING:
            unused = [known for known in (*needs, *may) if known not in payload.fields]
            help = f"{near(name, unused)} Bytes that mean nothing to choreo are {{ignored: 8}}, such bits are -."
            reader.error("unknown-field", f"{what} has a field `{name}` that choreo does not know", span, help)


def check_rolling(reader: Reader, request: Placed | None, reply: Placed | None) -> None:
    """An echoed counter comes back in the reply, as wide; only a request can ask for that."""
    if reply is not None and reply.shape.rolling is not None and reply.shape.rolling.echoed:
        help = "Write `echoed: true` at the request whose counter the reply repeats."
        headline = f"{reply.what} cannot be echoed: that is said of a request"
        reader.error("rolling", headline, reply.fields[ROLLING], help)
    if request is None or reply is None or request.shape.rolling is None or not request.shape.rolling.echoed:
        return
    sent, back = request.shape.rolling, reply.shape.rolling
    asked = Mark(request.fields[ROLLING], "sent here")
    if back is None:
        help = f"Add {{rolling: {sent.bits}}} to the reply, or take `echoed: true` out of the request."
        reader.error("rolling", f"{reply.what} does not repeat the counter of {request.what}", reply.span, help, asked)
    elif back.bits != sent.bits:
        headline = f"{reply.what} repeats a counter of {sent.bits} bits in {back.bits}"
        reader.error("rolling", headline, reply.fields[ROLLING], "Give both the same width.", asked)
