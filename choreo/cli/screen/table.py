"""The axes as rows: which of them, how much of each."""

from collections.abc import Sequence
from dataclasses import dataclass

from choreo.cli.screen.axes import AxisView, PairView
from choreo.cli.screen.rows import Row, Span, bar, cell, mark, row, tone
from choreo.report.table import printable, width_of

#: Cells of one axis where several stand side by side.
NARROW = 51
#: From these widths on there is room for a longer bar, and for the place within the travel.
LONG_BAR, WITH_RAIL = 92, 120
RAIL = 24
LONGEST_NAME = 24


@dataclass(frozen=True, slots=True)
class _Widths:
    name: int
    bar: int
    rail: bool
    target: bool = True
    off: bool = True


def axis_rows(axes: Sequence[AxisView], pairs: Sequence[PairView], width: int, room: int) -> list[Row]:
    """At most `room` rows, a head included; the last says how many axes are not shown."""
    if room <= 0 or not axes:
        return []
    if room == 1:
        return [row(f"{len(axes)} axes, no room to show them")]
    side_by_side = max(1, (width + 2) // (NARROW + 2))
    if len(axes) <= room - 1 or side_by_side == 1:
        return _one_column(axes, pairs, width, room)
    return _columns(axes, pairs, side_by_side, room)


def _one_column(axes: Sequence[AxisView], pairs: Sequence[PairView], width: int, room: int) -> list[Row]:
    longest = max(width_of(printable(axis.name)) for axis in axes)
    name = max(5, min(longest, LONGEST_NAME if width >= LONG_BAR else 12))
    widths = _Widths(name, 16 if width >= LONG_BAR else 9, width >= WITH_RAIL, width >= 64, width >= 54)
    shown, hidden = chosen(axes, pairs, room - 1)
    rows = [_head(widths), *(_axis(axis, widths) for axis in shown)]
    return [*rows, *_more(hidden)]


def _columns(axes: Sequence[AxisView], pairs: Sequence[PairView], count: int, room: int) -> list[Row]:
    longest = max(width_of(printable(axis.name)) for axis in axes)
    widths = _Widths(max(5, min(longest, 9)), 8, rail=False, target=False, off=False)
    shown, hidden = chosen(axes, pairs, (room - 1) * count if len(axes) <= (room - 1) * count else (room - 2) * count)
    deep = -(-len(shown) // count)
    rows = [_beside([_head(widths)] * min(count, -(-len(shown) // max(1, deep))))]
    rows += [_beside([_axis(axis, widths) for axis in shown[line::deep]]) for line in range(deep)]
    return [*rows, *_more(hidden)]


def _beside(rows: Sequence[Row]) -> Row:
    spans: list[Span] = []
    for one in rows:
        spans += [*one.fitted(NARROW).spans, ("  ", "")]
    return Row(tuple(spans))


def chosen(
    axes: Sequence[AxisView], pairs: Sequence[PairView], room: int
) -> tuple[Sequence[AxisView], Sequence[AxisView]]:
    """
    Those that are shown and those that are not, both in the machine's order. First what is not proven to stand, then
    what moves, then what is nearest to a limit, then what will move or has moved last.
    """
    if len(axes) <= room:
        return axes, ()
    skewed = {axis.name: pair.strain for pair in pairs for axis in (pair.first, pair.second)}

    def weight(place: int) -> tuple[bool, bool, int, bool, int, int]:
        axis = axes[place]
        # In coarse steps, so that noise does not make rows change places.
        near = int(4 * max(axis.strain, skewed.get(axis.name, 0.0)))
        begun = axis.going.begin_ns if axis.going is not None else -1
        return axis.state == "NOT PROVEN", axis.moves, near, axis.state == "loaded", begun, -place

    order = sorted(range(len(axes)), key=weight, reverse=True)
    shown = sorted(order[: max(0, room - 1)])  # one row says what is missing
    left = sorted(order[max(0, room - 1) :])
    return [axes[place] for place in shown], [axes[place] for place in left]


def _more(hidden: Sequence[AxisView]) -> list[Row]:
    if not hidden:
        return []
    moving = sum(axis.moves for axis in hidden)
    unproven = sum(axis.state == "NOT PROVEN" for axis in hidden)
    worst = max(axis.strain for axis in hidden)
    what = f"{moving} of them moving" if moving else "none of them moving"
    more = f", {unproven} NOT PROVEN" if unproven else ""
    text = f"… and {len(hidden)} more axes, {what}{more}, at most {worst:.0%} of the allowed distance off"
    return [row(text, "alarm" if unproven else "bold")]


def _head(widths: _Widths) -> Row:
    parts = [cell("axis", widths.name), cell("position", 12, right=True)]
    if widths.target:
        parts.append(cell("target", 9, right=True))
    parts.append(cell("speed", 8, right=True))
    if widths.off:
        parts.append(cell("deviation", 11, right=True))
    parts += [cell("of limit", widths.bar + 1), cell("state", 10)]
    if widths.rail:
        parts.append("within its travel")
    return row(" ".join(parts), "head")


def _axis(axis: AxisView, widths: _Widths) -> Row:
    moves, strain = axis.moves, axis.strain
    style = "bold" if moves else ""
    position = "" if axis.position is None else f"{_unsigned(axis.position, 0.005):.2f} {axis.unit}"
    left = [cell(printable(axis.name), widths.name), cell(printable(position), 12, right=True)]
    if widths.target:
        left.append(cell("" if axis.target is None else f"{axis.target:.2f}", 9, right=True))
    left.append(cell(_speed(axis), 8, right=True))
    if widths.off:
        left.append(cell(_off(axis), 11, right=True))
    state = cell(axis.word, 10)
    spans: list[Span] = [
        (" ".join(left) + " ", style),
        (_strain_bar(axis, strain, widths.bar), tone(strain) or style),
        (mark(strain) + " ", style),
        (state, "alarm" if axis.state == "NOT PROVEN" else style),
    ]
    if widths.rail:
        spans.append((" " + rail(axis), style))
    return Row(tuple(spans))


def _speed(axis: AxisView) -> str:
    speed = axis.speed
    if speed is None:
        return ""
    return f"{_unsigned(speed, 0.05):.1f}/s"


def _unsigned(value: float, least: float) -> float:
    """Without the sign of a figure that is shown as zero."""
    return 0.0 if abs(value) < least else value


def _off(axis: AxisView) -> str:
    """The tracking deviation and its limit."""
    deviation = axis.deviation
    if deviation is None:
        return "" if axis.tracking is None else f"- of {axis.tracking:g}"
    return f"{deviation:.2f}" if axis.tracking is None else f"{deviation:.2f} of {axis.tracking:g}"


def _strain_bar(axis: AxisView, strain: float, width: int) -> str:
    return bar(strain, width) if axis.going is not None and axis.tracking else " " * width


def rail(axis: AxisView, cells: int = RAIL) -> str:
    """The axis within its travel, drawn; a word for one that is not homed."""
    place = axis.place
    if place is None:
        return "" if axis.homed else "not homed"
    at = round(place * (cells - 1))
    return "|" + "─" * at + "█" + "─" * (cells - 1 - at) + "|"
