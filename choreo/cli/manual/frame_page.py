"""One frame taken apart, as lines."""

from collections.abc import Iterator, Mapping
from typing import Protocol

from choreo.cli.manual.meaning import CLASSES, AxisScale, meaning
from choreo.cli.manual.tables import COLUMNS, data_rows, identifier_rows
from choreo.cli.topics.topic import prose
from choreo.frame import Frame
from choreo.report.table import table
from choreo.wire.described.asking.nearly import called, near_misses, whereabouts
from choreo.wire.described.dialect import DescribedDialect
from choreo.wire.described.frames.codec import Found, Role


class SpeakerLike(Protocol):
    """A dialect, and the axes that speak it by their node."""

    @property
    def dialect(self) -> DescribedDialect:
        """What it speaks."""
        ...

    @property
    def axes(self) -> Mapping[int, AxisScale]:
        """By node."""
        ...


def frame_page(speaker: SpeakerLike, frame: Frame, width: int) -> Iterator[str]:
    """What a frame says; or what it nearly is, where it is none of the dialect's."""
    dialect = speaker.dialect
    found = dialect.find(frame)
    if found is None:
        yield from _nearly(dialect, frame, width)
        return
    axis = speaker.axes.get(found.node) if found.node is not None else None
    whose = "all nodes" if found.node is None else f"node {found.node}" + (f", {axis.name}" if axis else "")
    if speaker.axes and axis is None and found.node is not None:
        whose += ", which is no axis of the recipe"
    yield from prose(
        f"{frame.text()} is {called(found.shape)} of {whose} (dialect {dialect.name}). {_can(found)}", width
    )
    yield ""
    at = dialect.frames.addressing

    def say(name: str, values: Mapping[str, int]) -> str:
        return meaning(dialect, found.shape, name, values, axis)

    rows = list(identifier_rows(found.shape, at, frame))
    data = list(data_rows(found.shape, frame, found.values, say))
    yield from table(COLUMNS, [*rows, *data], width)
    if not data:
        yield from prose("It has no data bytes.", width)


def _can(found: Found) -> str:
    shape = found.shape
    if shape.role is Role.REQUEST:
        return f"Class {shape.frame_class}: {CLASSES[shape.frame_class]}."
    means = f" It means that the request is {shape.means}." if shape.means is not None else ""
    return f"A drive says it; it commands nothing.{means}"


def _nearly(dialect: DescribedDialect, frame: Frame, width: int) -> Iterator[str]:
    yield from prose(
        f"{frame.text()} is none of dialect {dialect.name}'s frames: no drive of it obeys it, none says it.", width
    )
    misses = near_misses(dialect, frame)
    if not misses:
        where = whereabouts(dialect, frame)
        yield from prose(f"{where[0].upper()}{where[1:]}.", width)
    for miss in misses:
        yield from prose(f"{miss.text[0].upper()}{miss.text[1:]}.", width, "  ")
