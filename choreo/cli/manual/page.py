"""A whole dialect as pages that can be held against the drive's manual."""

from collections.abc import Iterator, Mapping

from choreo.cli.manual.draw import identifier_lines
from choreo.cli.manual.meaning import CLASSES, meaning
from choreo.cli.manual.rules import rules, settings_lines
from choreo.cli.manual.tables import covering, form_rows
from choreo.cli.manual.worked import worked_frame
from choreo.cli.topics.topic import prose
from choreo.frame import Frame
from choreo.report.table import Column, table
from choreo.units import show_ns
from choreo.wire.described.asking.nearly import id_text
from choreo.wire.described.asking.places import PlacedPart, forms
from choreo.wire.described.dialect import DescribedDialect
from choreo.wire.described.frames.codec import Shape
from choreo.wire.described.frames.fields import ROLLING, Checksum

_FORM = (Column("where", right=False), Column("field", right=False), Column("is", right=False, shrinks=20))
_CHECKSUMS = (Column("checksum", right=False), Column("is", right=False, shrinks=20))
_CODES = (Column("code"), Column("hex"), Column("means", right=False, shrinks=20))


def dialect_page(dialect: DescribedDialect, width: int) -> Iterator[str]:
    """Identifiers, every message with a worked frame, settings, rules, codes."""
    at = dialect.frames.addressing
    broadcast = "" if at.broadcast is None else f"; {at.broadcast} stands for all of them"
    order = next(iter(dialect.frames.requests.values())).layout.order
    most = "most significant bit of byte 0 down" if order == "big" else "least significant bit of byte 0 up"
    yield f"{dialect.name}: {dialect.title}"
    yield ""
    yield from prose(
        f"Nodes {at.first} to {at.last}{broadcast}. Payloads are filled from the {most} ({order}-endian).", width
    )
    yield ""
    yield "IDENTIFIERS"
    yield from identifier_lines(dialect, width)
    yield from _checksums(dialect, width)
    yield ""
    yield "MESSAGES"
    for name in _messages(dialect):
        yield ""
        yield from _message(dialect, name, width)
    if dialect.frames.error_reply is not None:
        yield ""
        yield "error_reply: the drive did not accept a value or a command"
        yield from _shape(dialect, dialect.frames.error_reply, "error reply", width)
    yield from _events(dialect, width)
    yield ""
    yield "SETTINGS"
    yield from settings_lines(dialect, width)
    yield ""
    yield "RULES"
    for sentence in rules(dialect):
        yield from prose(sentence, width, "  ")
    yield from _codes(dialect, width)


def _checksums(dialect: DescribedDialect, width: int) -> Iterator[str]:
    """Those with a name: what they are is said here, and nowhere else."""
    parts = [part for shape in dialect.frames.all() for parts in shape.layout.alternatives for part in parts]
    named = {part.name: part for part in parts if isinstance(part, Checksum) and part.name}
    if named:
        yield ""
        yield "CHECKSUMS"
        rows = [(name, covering(part, part.method.whole)) for name, part in named.items()]
        yield from (f"  {line}" for line in table(_CHECKSUMS, rows, width - 2)[2:])


def _messages(dialect: DescribedDialect) -> Iterator[str]:
    """Every message once, those of several frames where their first part stands."""
    whole = {part: name for name, series in dialect.frames.series.items() for part in series.parts}
    yield from dict.fromkeys(whole.get(name, name) for name in dialect.frames.requests)


def _message(dialect: DescribedDialect, name: str, width: int) -> Iterator[str]:
    frames = dialect.frames
    parts = frames.parts(name)
    frame_class = frames.requests[parts[0]].frame_class
    yield from prose(f"{name}: {frame_class}; {CLASSES[frame_class]}", width)
    series = frames.series.get(name)
    if series is not None:
        abort = f"; {series.abort} undoes a part" if series.abort else ""
        within, gap = show_ns(series.within_ns), show_ns(series.gap_ns)
        yield from prose(f"{len(parts)} frames, all or nothing, {gap} apart, {within} in all{abort}", width, "  ")
    for part in parts:
        yield from _shape(dialect, frames.requests[part], f"{part} request" if series else "request", width)
        reply = frames.replies.get(part)
        if reply is None:
            yield "  it is not answered"
        else:
            yield from _shape(dialect, reply, f"{part} reply" if series else "reply", width)


def _shape(dialect: DescribedDialect, shape: Shape, title: str, width: int) -> Iterator[str]:
    says = [f"identifiers {id_text(shape, dialect)}"]
    if shape.broadcast == "allowed":
        at = dialect.frames.addressing
        says.append(f"all nodes {at.text(shape.identifier(at.broadcast or 0))}")
    if shape.means is not None:
        says.append(f"means that the request is {shape.means}")
    for number, form in enumerate(sorted(forms(shape.layout), key=_size)):
        size = _size(form)
        head = f"{title}, {size} {'byte' if size == 1 else 'bytes'}"
        yield from prose(f"{head}; {'; '.join(says)}" if not number else f"or, {size} bytes", width, "  ")
        if form:
            yield from (f"    {line}" for line in table(_FORM, list(form_rows(form)), width - 4)[2:])
        frame = worked_frame(dialect, shape, form)
        if frame is not None:
            yield from prose(_worked(dialect, shape, frame), width, "    ")


def _size(form: tuple[PlacedPart, ...]) -> int:
    return form[0].place.size if form else 0


def _worked(dialect: DescribedDialect, shape: Shape, frame: Frame) -> str:
    """`Example 14B#42.60.79.FE.FF.00.80: node 11, target -100000, speed 32768 (33554432 counts/s).`"""
    found = dialect.find(frame)
    values: Mapping[str, int] = found.values if found is not None else {}
    node = "all nodes" if found is None or found.node is None else f"node {found.node}"
    said = [node, *(_said(dialect, shape, name, values) for name in values)]
    return f"Example {frame.text()}: {', '.join(said)}."


def _said(dialect: DescribedDialect, shape: Shape, name: str, values: Mapping[str, int]) -> str:
    special = shape.layout.special.get(name, {}).get(values[name])
    text = special or meaning(dialect, shape, name, values, None)
    if name == ROLLING or text in ("", "yes", "no", f"{values[name]} counts"):
        return f"{name} {values[name]}"
    return f"{name} {values[name]} ({text})"


def _events(dialect: DescribedDialect, width: int) -> Iterator[str]:
    if not dialect.frames.events:
        return
    yield ""
    yield "EVENTS: what a drive says unasked"
    for kind, shape in dialect.frames.events.items():
        period = dialect.event_periods.get(kind)
        yield ""
        yield kind if period is None else f"{kind}: every {show_ns(period)}; three missed in a row are reported"
        yield from _shape(dialect, shape, "event", width)


def _codes(dialect: DescribedDialect, width: int) -> Iterator[str]:
    states = {code: ", ".join(sorted(words)) or "none of them" for code, words in dialect.states.items()}
    for heading, codes in (
        ("STATES: what the field `state` says", states),
        ("ERRORS", dialect.errors),
        ("FAULTS", dialect.faults),
    ):
        if codes:
            yield ""
            yield heading
            rows = [(str(code), f"0x{code:02X}", text) for code, text in codes.items()]
            yield from (f"  {line}" for line in table(_CODES, rows, width - 2)[2:])
