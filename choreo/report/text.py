"""A summary as lines of plain text for a terminal of any width."""

from collections.abc import Iterator
from textwrap import wrap

from choreo.errors import Exit
from choreo.journal.after_stop import AxisAfterStop
from choreo.report.starts import Start
from choreo.report.summary import Summary
from choreo.report.table import Column, printable, table
from choreo.units import show

#: Lines of running text are not made longer than this, however wide the terminal.
WIDEST_TEXT = 100
#: Of more axes than these that are alike, a report names what is common to them once.
NAMED_ONE_BY_ONE = 6

_STEPS = (
    Column("step", right=False),
    Column("what", right=False, shrinks=14),
    Column("predicted", keep=5),
    Column("taken"),
    Column("slack", keep=4),
    Column("polls", keep=1),
    Column("reply", keep=2),
    Column("outcome", right=False),
)
_LINKS = (
    Column("axis", right=False, shrinks=8),
    Column("node"),
    Column("exchanges", keep=4),
    Column("lost"),
    Column("min ms", keep=2),
    Column("median ms", keep=3),
    Column("max ms"),
    Column("loss below %"),
)
_STARTS = (
    Column("trigger in step", right=False),
    Column("at s", keep=3),
    Column("each axis after it, ms", right=False, shrinks=16),
    Column("spread ms"),
)


_UNTILS = (
    Column("step", right=False),
    Column("axis", right=False, shrinks=8),
    Column("until", right=False, shrinks=10),
    Column("seen at"),
    Column("earlier by", keep=5),
    Column("rests at", keep=6),
)
_SCOPES = (
    Column("part", right=False, shrinks=10),
    Column("step", right=False, keep=4),
    Column("taken"),
    Column("axis", right=False, shrinks=8),
    Column("lowest"),
    Column("highest"),
    Column("off", keep=7),
    Column("skew", keep=6),
    Column("spread ms", keep=5),
    Column("outcome", right=False, keep=3),
)


def report_lines(summary: Summary, width: int, *, result: bool = True) -> Iterator[str]:
    """
    The report, line by line, at most `width` cells wide where the figures allow it.

    Without `result` the line that says how it ended is left to the caller.
    """
    yield from step_lines(summary, width)
    for part in (_link_lines, _pair_lines, _start_lines, _until_lines, _scope_lines, _stop_lines):
        lines = list(part(summary, width))
        if lines:
            yield ""
            yield from lines
    yield ""
    for remark in summary.remarks:
        yield from _prose(remark, width)
    if result:
        yield ""
        yield from _prose(result_line(summary), width)


def result_line(summary: Summary) -> str:
    """How it ended, in one line: outcome, time taken against predicted, exit code."""
    times = f"{_s(summary.taken_ns)} s taken, {_s(summary.predicted_ns)} s predicted"
    if not summary.complete:
        return f"cut off after {_s(summary.taken_ns)} s"
    if summary.exit == 0:
        return f"done: {times}"
    how = "failed" if summary.exit == Exit.EXPECTATION else "stopped"
    return f"{how}: {printable(summary.outcome or '')} (after {_s(summary.taken_ns)} s, exit code {summary.exit})"


def step_lines(summary: Summary, width: int) -> list[str]:
    """The table of steps under a line that says what its columns are."""
    caption = "Steps: times in s, slack to the timeout, position readings, worst reply in ms"
    rows = [
        (
            row.step.path,
            what(row.step.verb, row.step.label),
            _s(row.step.predicted_ns),
            _s(row.taken_ns),
            _s(row.slack_ns),
            "" if row.polls is None else str(row.polls),
            _ms(row.worst_reply_ns),
            row.outcome,
        )
        for row in summary.steps
    ]
    return [*_prose(caption, width), *table(_STEPS, rows, width)]


def _link_lines(summary: Summary, width: int) -> Iterator[str]:
    if summary.links:
        yield from _prose(
            "Link: counted exchanges with each node; the last column is the 95 % upper bound of the loss", width
        )
        rows = [
            (
                link.axis,
                str(link.node),
                str(link.exchanges),
                str(link.lost),
                _ms(link.min_ns),
                _ms(link.median_ns),
                _ms(link.max_ns),
                f"{link.bound_percent:.2f}",
            )
            for link in summary.links
        ]
        yield from table(_LINKS, rows, width)
    for what, counts in (("requests without a reply", summary.lost), ("replies without a request", summary.late)):
        if counts:
            yield from _prose(f"{what}: " + ", ".join(f"{axis} {count}" for axis, count in counts.items()), width)


def _pair_lines(summary: Summary, width: int) -> Iterator[str]:
    for skew in summary.pairs:
        name, trip = skew.pair.name, show(skew.pair.trip, skew.unit)
        if skew.worst is None:
            yield from _prose(f"Skew of {name}: never read closely enough to say", width)
            continue
        worst, open_ = show(skew.worst, skew.unit, 3), show(skew.uncertainty, skew.unit, 3)
        after_stop = summary.stop is not None and skew.t_ns > summary.stop.t_ns
        where = " after the stop" if after_stop else f" in step {skew.step}" if skew.step else ""
        text = f"Skew of {name}: at most {worst} (give or take {open_}), at {_s(skew.t_ns)} s{where}; stops at {trip}"
        yield from _prose(text, width)


def _start_lines(summary: Summary, width: int) -> Iterator[str]:
    """Only triggers that started several axes, and not those inside of a homing: the others start nothing together."""
    homing = {row.step.path for row in summary.steps if row.step.verb == "home"}
    rows = [
        (
            start.step,
            _s(start.t_ns),
            delays(start),
            _ms(start.spread_ns, 1),
        )
        for start in summary.starts
        if len(start.axes) > 1 and start.step not in homing
    ]
    if rows:
        yield from _prose("Starts: when each axis began after the trigger, its declared lag taken off", width)
        yield from table(_STARTS, rows, width)


def delays(start: Start) -> str:
    """Each axis, or of many the first and the last."""
    if len(start.axes) <= NAMED_ONE_BY_ONE:
        return ", ".join(f"{axis.axis} {_ms(axis.delay_ns, 1) or '-'}" for axis in start.axes)
    seen = sorted((axis.delay_ns, axis.axis) for axis in start.axes if axis.delay_ns is not None)
    if not seen:
        return f"{len(start.axes)} axes, none seen well enough"
    (first_ns, first), (last_ns, last) = seen[0], seen[-1]
    return f"{len(seen)} axes: first {first} {_ms(first_ns, 1)}, last {last} {_ms(last_ns, 1)}"


def _until_lines(summary: Summary, width: int) -> Iterator[str]:
    """What inputs decided."""
    if summary.untils:
        yield from _prose(
            "Moves that an input ended: where the axis was when it was first read, by how much earlier it may have "
            "come, where the axis came to rest, in the axis' unit",
            width,
        )
        rows = [
            (
                row.step,
                row.axis,
                f"{row.input} {row.level}",
                "did not come" if row.seen is None else f"{row.seen:.3f} {row.unit}",
                "" if row.give is None else f"{row.give:.3f}",
                f"{row.rest:.3f} {row.unit}",
            )
            for row in summary.untils
        ]
        yield from table(_UNTILS, rows, width)
    for wait in summary.waits:
        yield from _prose(f"Step {wait.step} waited {_s(wait.after_ns)} s until {wait.input} was {wait.level}", width)


def _scope_lines(summary: Summary, width: int) -> Iterator[str]:
    """One row an axis; what is said of the whole part stands in its first."""
    rows = []
    for scope in summary.scopes:
        skew = max((abs(pair.worst) for pair in scope.pairs), default=None)
        whole = (
            "" if skew is None else f"{skew:.3f}",
            _ms(scope.spread_ns, 1),
            scope.outcome,
        )
        for place, axis in enumerate(scope.axes or (None,)):
            first = place == 0
            rows.append(
                (
                    scope.name if first else "",
                    scope.path if first else "",
                    _s(scope.taken_ns) if first else "",
                    "" if axis is None else axis.axis,
                    "" if axis is None else f"{axis.lowest:.3f} {axis.unit}",
                    "" if axis is None else f"{axis.highest:.3f} {axis.unit}",
                    "" if axis is None or axis.deviation is None else f"{axis.deviation:.3f}",
                    *(whole if first else ("", "", "")),
                )
            )
    if rows:
        yield from _prose(
            "Named parts: time in s, positions read, largest distance from the predicted motion (off) and largest skew "
            "in the axes' unit, widest spread of starts",
            width,
        )
        yield from table(_SCOPES, rows, width)


def _stop_lines(summary: Summary, width: int) -> Iterator[str]:
    stop = summary.stop
    if stop is None:
        return
    where = f" in step {stop.step}" if stop.step else ""
    yield from _prose(f"Stopped at {_s(stop.t_ns)} s{where}: {stop.cause} ({stop.rule})", width)
    alike: dict[tuple[str, str], list[AxisAfterStop]] = {}
    for axis in stop.axes:
        alike.setdefault(_after_stop(axis), []).append(axis)
    for axis in stop.axes:
        rest, state = _after_stop(axis)
        axes = alike[rest, state]
        if len(axes) <= NAMED_ONE_BY_ONE:
            yield from _prose(f"{axis.axis}: {rest}, {_place(axis)}, {state}", width, "  ")
        elif axis is axes[0]:  # of many axes that are alike only the places are told one by one
            yield from _prose(f"{len(axes)} axes: {rest}, {state}", width, "  ")
            yield from _prose(", ".join(f"{one.axis} {_place(one)}" for one in axes), width, "    ")
    for name in stop.unheard:
        yield from _prose(f"{name}: NOT PROVEN at rest; the journal ends before a word about it", width, "  ")


def _prose(text: str, width: int, indent: str = "") -> list[str]:
    """Running text, wrapped and safe to print; what follows the first line is indented further."""
    return wrap(
        printable(text),
        max(20, min(width, WIDEST_TEXT)),
        initial_indent=indent,
        subsequent_indent=indent + "  ",
        break_on_hyphens=False,
    )


def _place(axis: AxisAfterStop) -> str:
    return "position unknown" if axis.position is None else f"at {show(axis.position, axis.unit)}"


def _after_stop(axis: AxisAfterStop) -> tuple[str, str]:
    """Whether it is at rest, and everything else but its place."""
    power = {True: "under power", False: "without power", None: "power unknown"}[axis.energised]
    home = "home valid" if axis.home_valid else "home not valid"
    rest = "at rest" if axis.proven else "NOT PROVEN at rest" + (f" ({axis.why})" if axis.why else "")
    outputs = "".join(f", output {name} {level}" for name, level in axis.outputs.items())
    return rest, f"{power}, {home}, load {axis.load}{outputs}. {axis.next_action}"


def _s(ns: int | None) -> str:
    return "" if ns is None else f"{ns / 1e9:.3f}"


def _ms(ns: int | None, places: int = 2) -> str:
    return "" if ns is None else f"{ns / 1e6:.{places}f}"


def what(verb: str, label: str) -> str:
    """A step in a few words; a label that begins with its verb stands for both."""
    if not label:
        return verb
    return label if label.startswith(verb) else f"{verb}: {label}"


def plain_step(path: str, verb: str, label: str, fields: dict[str, object]) -> str:
    """One line for a step as it ends, from its `step_end` record."""
    taken, worst = fields["taken_ns"], fields["worst_reply_ns"]
    reply = f", worst reply {_ms(worst)} ms" if isinstance(worst, int) else ""
    seconds = _s(taken) if isinstance(taken, int) else "?"
    return printable(f"step {path}  {what(verb, label)}  {fields['outcome']} in {seconds} s{reply}")
