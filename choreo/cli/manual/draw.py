"""Identifiers drawn bit by bit, the most significant on the left, as manuals draw them."""

from collections.abc import Iterator

from choreo.cli.topics.topic import prose
from choreo.wire.described.dialect import DescribedDialect
from choreo.wire.described.frames.codec import Role, Shape
from choreo.wire.described.frames.identifiers import Addressing, IdRange


def identifier_lines(dialect: DescribedDialect, width: int) -> Iterator[str]:
    """Each range of identifiers: its bits, the identifiers of the nodes, what comes on it."""
    at = dialect.frames.addressing
    ranges: dict[IdRange, list[Shape]] = {}
    for shape in dialect.frames.all():
        ranges.setdefault(shape.ids, []).append(shape)
    yield from prose(
        f"{at.bits} bits; n is a bit of the node number, - one that is sent as 0 and not looked at.", width, "  "
    )
    for ids, shapes in sorted(ranges.items(), key=lambda item: item[0].base):
        yield ""
        yield from (f"  {line}" for line in drawing(ids, at))
        ends = f"{at.text(ids.identifier(at.first))} to {at.text(ids.identifier(at.last))}"
        if at.broadcast is not None and any(shape.broadcast != "never" for shape in shapes):
            ends = f"{ends}, all nodes {at.text(ids.identifier(at.broadcast))}"
        yield from prose(f"{ends}: {', '.join(_names(shapes))}", width, "  ")


def _names(shapes: list[Shape]) -> list[str]:
    """What comes on a range; the requests and replies of many messages in one word."""
    words = {Role.REQUEST: "requests", Role.REPLY: "replies", Role.ERROR: "error replies", Role.EVENT: "events"}
    found = []
    for role, word in words.items():
        names = [shape.message for shape in shapes if shape.role is role]
        if names and role is Role.ERROR:
            found.append(word)
        elif names:
            found.append(f"{word} {' '.join(names)}" if len(names) < 6 else f"{word} ({len(names)} messages)")
    return found


def drawing(ids: IdRange, at: Addressing) -> list[str]:
    """A ruler with the number of each field's top bit, and the fields; or the base in binary and the node added."""
    if not ids.fields:
        return [f"{ids.base:0{at.bits}b} + node   (0x{at.text(ids.base)} + node)"]
    top, ruler, drawn = at.bits - 1, "", ""
    for field in ids.fields:
        bits = {"node": "n" * field.bits, "ignored": "-" * field.bits}.get(field.kind, f"{field.value:0{field.bits}b}")
        cells = max(field.bits, len(str(top)))
        ruler += f"{top:<{cells}} "
        drawn += f"{bits:<{cells}} "
        top -= field.bits
    return [ruler.rstrip(), drawn.rstrip()]
