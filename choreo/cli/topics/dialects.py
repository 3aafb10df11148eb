"""Dialects: those that ship, and any file. Every message as a table."""

from collections.abc import Iterable, Iterator
from pathlib import Path

from choreo.cli.topics.topic import Topic, prose
from choreo.report.table import Column, table
from choreo.units import show, show_ns
from choreo.wire.described import load_dialect, shipped_file
from choreo.wire.described.codec import Addressing, Role, Shape
from choreo.wire.described.dialect import DescribedDialect
from choreo.wire.described.fields import Bits, Constant, Number, Part
from choreo.wire.described.files import shipped_names

KIND = "dialect"

_MESSAGES = (
    Column("message", right=False),
    Column("frame", right=False),
    Column("identifier", right=False),
    Column("class", right=False, keep=2),
    Column("means", right=False, keep=1),
    Column("payload from byte 0", right=False, shrinks=40),
)
_SETTINGS = (
    Column("setting", right=False),
    Column("number"),
    Column("raw"),
    Column("one step is", right=False),
    Column("rounded", right=False, keep=2),
    Column("means something else", right=False, shrinks=16, keep=1),
)


def topics() -> Iterator[Topic]:
    """One a shipped dialect."""
    for name in shipped_names():
        yield of_file(shipped_file(name))


def of_file(path: Path) -> Topic:
    """A dialect of a file. Raises Refused for one that is none."""
    dialect = load_dialect(path)
    return Topic(KIND, dialect.name, dialect.title, lambda width: _lines(dialect, width))


def _lines(dialect: DescribedDialect, width: int) -> Iterable[str]:
    at = dialect.frames.addressing
    broadcast = "" if at.broadcast is None else f", {at.broadcast} for all of them"
    yield from prose(
        f"{dialect.title}. Identifiers of {at.bits} bits: base + node, nodes {at.first} to {at.last}{broadcast}.", width
    )
    yield ""
    yield from table(_MESSAGES, [_message(shape, at) for shape in dialect.frames.all()], width)
    yield from prose("Bytes are hexadecimal; u8 is an unsigned field of 8 bits, s32 a signed one of 32.", width)
    for shape in dialect.frames.all():
        for part in shape.layout.parts:
            if isinstance(part, Bits):
                bits = ", ".join(f"{place} {name}" for place, name in enumerate(part.names) if name is not None)
                yield from prose(f"Bits of the {shape.message} {shape.role}: {bits}.", width)
    yield ""
    yield from table(_SETTINGS, list(_settings(dialect)), width)
    yield ""
    for sentence in _semantics(dialect):
        yield from prose(sentence, width)
    for heading, codes in (("Error replies", dialect.errors), ("Faults", dialect.faults)):
        if codes:
            yield ""
            yield f"{heading}:"
            yield from (f"  {code:3d}  {text}" for code, text in codes.items())


def _message(shape: Shape, at: Addressing) -> tuple[str, ...]:
    digits = 3 if at.bits == 11 else 8
    alone = f"0x{shape.base:0{digits}X} + node"
    everybody = f"0x{shape.base + (at.broadcast or 0):0{digits}X}"
    identifier = {"never": alone, "allowed": f"{alone} or {everybody}", "only": everybody}[shape.broadcast]
    means = "" if shape.means is None else str(shape.means)
    kind = str(shape.frame_class) if shape.role is Role.REQUEST else ""
    return shape.message, str(shape.role), identifier, kind, means, " ".join(map(_part, shape.layout.parts))


def _part(part: Part) -> str:
    if isinstance(part, Constant):
        return f"{part.value:02X}"
    if isinstance(part, Number):
        return f"{part.name}:{'s' if part.signed else 'u'}{part.bits}"
    if isinstance(part, Bits):
        return "bits"
    return f"({part.size} unused)"


def _settings(dialect: DescribedDialect) -> Iterator[tuple[str, ...]]:
    rows = [(str(setting), str(dialect.numbers[setting]), scale) for setting, scale in dialect.settings.items()]
    for name, number, scale in [*rows, ("speed of a move", "", dialect.move_speed)]:
        special = ", ".join(f"{raw}: {text}" for raw, text in (scale.special or {}).items())
        yield name, number, f"{scale.minimum} to {scale.maximum}", show(scale.step, ""), scale.rounding, special


def _semantics(dialect: DescribedDialect) -> Iterator[str]:
    loads, timing = dialect.loads, dialect.timing
    second = "is refused" if loads.second_load == "refused" else loads.second_load
    yield f"A second load {second}; at the trigger a load is {loads.at_trigger}."
    yield f"It is cleared by {_listed(loads.cleared_by)} and survives {_listed(loads.survives)}."
    if loads.relative_to != "never":
        yield f"A relative load counts from the {loads.relative_to}."
    yield (
        f"A stop brakes with {dialect.stop_ramp}, a quick stop with {dialect.quick_stop_ramp}. "
        f"The position is the {dialect.position_is} one. Moves are {dialect.profile.replace('_', ' ')}."
    )
    within, gap, latch, cycle = map(show_ns, (timing.reply_within_ns, timing.gap_ns, timing.latch_ns, timing.cycle_ns))
    yield f"Replies begin within {within}; requests to one node are at least {gap} apart."
    yield f"A start trigger takes {latch}, and up to one internal cycle of {cycle} more."


def _listed(names: Iterable[str]) -> str:
    return ", ".join(sorted(names)) or "nothing"
