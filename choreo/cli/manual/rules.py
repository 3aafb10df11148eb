"""Settings, and what else a dialect says, in sentences."""

from collections.abc import Iterable, Iterator

from choreo.cli.manual.meaning import UNITS
from choreo.cli.manual.worked import middle, rounding_example
from choreo.cli.topics.topic import prose
from choreo.report.table import Column, table
from choreo.units import show, show_ns
from choreo.wire.described.dialect import DescribedDialect
from choreo.wire.dialect import RawScale, Scale
from choreo.wire.scales import PolynomialScale, ReciprocalScale, TableScale

_SETTINGS = (
    Column("setting", right=False),
    Column("number"),
    Column("raw"),
    Column("a raw value means", right=False, shrinks=20),
    Column("rounded", right=False),
)
_WORKED = (
    Column("setting", right=False),
    Column("for example, raw"),
    Column("is", right=False),
    Column("asked for", right=False, keep=2),
    Column("it becomes raw", keep=2),
)


def settings_lines(dialect: DescribedDialect, width: int) -> Iterator[str]:
    """The settings and the speed of a move: a table of what they are, another of worked values."""
    scales = [(str(name), str(dialect.numbers[name]), scale, UNITS[name]) for name, scale in dialect.settings.items()]
    scales.append(("speed of a move", "", dialect.move_speed, "counts/s"))
    rows: list[tuple[str, ...]] = []
    for name, number, scale, unit in scales:
        rows.append((name, number, f"{scale.minimum} to {scale.maximum}", formula(scale, unit), scale.rounding))
    for name, setting in dialect.scale_settings.items():
        rows.append((name, str(setting.number), "", f"{show(setting.step, 'counts')} x raw", ""))
    yield from (f"  {line}" for line in table(_SETTINGS, rows, width - 2))
    for name, _, scale, unit in scales:
        for raw, text in (scale.special or {}).items():
            yield from prose(f"{name}: raw {raw} means {text}; choreo never writes it.", width, "  ")
        if isinstance(scale, TableScale):
            codes = ", ".join(f"{code}: {show(scale.table[code], '')}" for code in scale.table)
            yield from prose(f"The table of {name}, in {unit}: {codes}.", width, "  ")
    yield ""
    yield from (f"  {line}" for line in table(_WORKED, [_worked(*scale) for scale in scales], width - 2))


def formula(scale: Scale, unit: str) -> str:
    """What a raw value means."""
    if isinstance(scale, RawScale):
        return f"{show(scale.step, unit)} x raw"
    if isinstance(scale, PolynomialScale):
        powers = ("", " x raw", *(f" x raw^{power}" for power in range(2, len(scale.coefficients))))
        terms = [
            f"{show(value, unit)}{power}" for value, power in zip(scale.coefficients, powers, strict=True) if value
        ]
        return " + ".join(terms)
    if isinstance(scale, ReciprocalScale):
        return f"{show(scale.dividend, unit)} / raw"
    return f"a table, {show(scale.floor, '')} to {show(scale.ceiling, unit)}"


def _worked(name: str, number: str, scale: Scale, unit: str) -> tuple[str, ...]:
    raw = middle(scale)
    example = rounding_example(scale)
    asked, becomes = ("", "") if example is None else (show(example[0], unit), str(example[1]))
    return name, str(raw), show(scale.from_raw(raw), unit), asked, becomes


def rules(dialect: DescribedDialect) -> Iterator[str]:
    """Loads, stops, position, timing: one sentence each."""
    loads, timing = dialect.loads, dialect.timing
    second = "is refused" if loads.second_load == "refused" else f"{loads.second_load} the first"
    at_trigger = "is consumed" if loads.at_trigger == "consumed" else "is kept, and runs again at the next"
    yield f"A second load {second}; at the trigger a load {at_trigger}."
    yield f"A load is cleared by {_listed(loads.cleared_by)} and survives {_listed(loads.survives)}."
    if loads.relative_to == "never":
        yield "Loads are absolute targets only."
    else:
        yield f"A loaded target counts from the {loads.relative_to}."
    yield f"A stop brakes with {dialect.stop_ramp}, a quick stop with {dialect.quick_stop_ramp}."
    yield (
        f"Moves are {dialect.profile.replace('_', ' ')}." if dialect.profile != "trapezoid" else "Moves are trapezoids."
    )
    yield f"Positions are polled with {dialect.position_message}; the position is the {dialect.position_is} one."
    latch = dialect.latch_switch
    yield (
        "It has no latch: its axes cannot be homed on a switch."
        if latch is None
        else f"The latch keeps the edge of {latch}."
    )
    yield f"Kept without power, so written only where they differ: {_listed(dialect.permanent_settings)}."
    for name in dialect.scale_settings:
        yield f"{name} is read before the first motion; another value than the recipe's scale says refuses the run."
    watchdog = dialect.watchdog
    if watchdog is not None:
        fed = "nothing" if watchdog.fed_by is None else f"nothing of {_listed(watchdog.fed_by)}"
        does = {"stop": "stops", "quick_stop": "stops quickly", "disable": "disables itself"}[watchdog.then]
        yield f"A drive that hears {fed} for {show_ns(watchdog.within_ns)} {does} by itself."
    within, gap, latch, cycle = map(show_ns, (timing.reply_within_ns, timing.gap_ns, timing.latch_ns, timing.cycle_ns))
    yield f"Replies begin within {within}; requests to one node are at least {gap} apart."
    yield f"A start trigger takes {latch}, and up to one internal cycle of {cycle} more."
    if timing.outstanding is not None:
        yield f"At most {timing.outstanding} requests are out at a time, over all nodes."
    if timing.quiet:
        quiet = ", ".join(f"{show_ns(ns)} after {name}" for name, ns in timing.quiet.items())
        yield f"Nothing but a stop is sent to a node for {quiet}."


def _listed(names: Iterable[str]) -> str:
    return ", ".join(sorted(names)) or "nothing"
