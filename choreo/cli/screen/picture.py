"""
The whole picture, as rows for a terminal of a given size: the word in big letters, the step, the axes, what is near a
limit, what was found. A pure function; `paint.py` puts it on the terminal.
"""

from collections.abc import Sequence

from choreo.cli.progress import Progress
from choreo.cli.screen.letters import HEIGHT, big, width_in_big
from choreo.cli.screen.rows import Row, Span, bar, cell, joined, mark, prose, row, tone, with_its_end
from choreo.cli.screen.state import Glance, State, span, state_of
from choreo.cli.screen.table import axis_rows
from choreo.cli.screen.views import StepView
from choreo.report.table import printable, width_of
from choreo.report.text import what

SAFETY = "space or Esc stops all axes; this stop is software: it does not replace the emergency stop"
ONLOOKER = "q and Enter, or Ctrl-C, leaves; the run goes on. In the run's own terminal "
#: Letters are doubled on terminals as wide as this, if the axes still have room; at least on those as high as this.
WIDE, TALL = 100, 50
#: From this height on blank lines make the picture easier to read.
ROOMY = 30
#: The least that stands beside the big word, cells.
BESIDE = 24

__all__ = ["SAFETY", "joined", "picture"]


def picture(progress: Progress, glance: Glance, width: int, height: int) -> list[Row]:
    """Exactly `height` rows of exactly `width` cells."""
    state = state_of(progress, glance)
    foot = _foot(glance, width)
    top = [_title(progress, width), *_band(state, progress, width, height)]
    if glance.begun:
        top += _steps(progress, width)
    top += _question(progress, glance, width, height)
    room = height - len(top) - len(foot)
    middle = _middle(progress, width, room, roomy=height >= ROOMY) if glance.begun else []
    rows = [*top, *middle][: max(0, height - len(foot))]
    rows += [Row()] * (height - len(foot) - len(rows))
    return [one.fitted(width) for one in [*rows, *foot][-height:]]


def _title(progress: Progress, width: int) -> Row:
    kind = "run" if progress.mode == "live" else progress.mode or "run"
    machine = "" if progress.machine == progress.title else f" on {progress.machine}"
    pace = "" if progress.pace == "1" else f", pace {progress.pace}"
    clock = f" at {progress.t_ns / 1e9:.1f} s"
    name = f"{kind} of {progress.title}{machine}{pace}" if progress.title else "choreo"
    return row(cell(printable(name), max(0, width - width_of(clock))) + clock, "head")


def _band(state: State, progress: Progress, width: int, height: int) -> list[Row]:
    """The word in big letters, and beside it, or below where there is no room, what it means."""
    times = _times(progress, width, height)
    wide = (width_in_big(state.word) or 0) * times
    if wide + 2 > width or height < 16:
        texts = [f" {state.word}: {state.says}", *_beside(progress)]
        return [row(" " + line if place else line, state.style) for place, line in enumerate(texts)]
    word = big(state.word, times)
    beside = width - wide - 5
    texts = _beside(progress)
    if beside < BESIDE:
        below = [*prose(state.says, width - 2, 2), *texts]
        return [row(f" {line}", state.style) for line in [*word, *below]]
    room = HEIGHT * times
    said = prose(state.says, beside, room - len(texts))
    lines = [*said, *[""] * (room - len(said) - len(texts)), *texts]
    return [row(f" {left}   {right}", state.style) for left, right in zip(word, lines, strict=True)]


def _times(progress: Progress, width: int, height: int) -> int:
    """How often each cell of the big letters is repeated."""
    others = 14 + len(progress.axes) + min(4, len(progress.pairs)) + (7 if progress.question else 0)
    return 2 if width >= WIDE and height >= min(TALL, 2 * HEIGHT + others) else 1


def _beside(progress: Progress) -> list[str]:
    """How far the run is."""
    if not progress.steps:
        return []
    if progress.outcome is not None:
        return [f"{progress.done} of {len(progress.steps)} steps in {span(progress.t_ns / 1e9)}"]
    step = None if progress.step is None else progress.steps.get(progress.step)
    number = f"step {min(progress.done + 1, len(progress.steps))} of {len(progress.steps)}"
    left = 0.0 if step is None else (step.predicted_ns - progress.step_spent_ns) / 1e9
    return [
        f"{bar(progress.share, 14)} {progress.share:4.0%}",
        f"{number}: {max(0.0, left):.1f} s left" if step else number,
        f"run: about {span(progress.left_ns / 1e9)} left",
    ]


def _steps(progress: Progress, width: int) -> list[Row]:
    if progress.stopping:
        return [row(line, "bold") for line in prose(f"why  {progress.stopping}", width, 2)]
    if progress.outcome is not None:
        return []
    step = None if progress.step is None else progress.steps.get(progress.step)
    following = progress.next_step
    now = f"now   {_named(step)}" if step else "now   no step is under way"
    rows = [row(printable(now), "bold"), row(printable(f"next  {_named(following)}" if following else "next  the end"))]
    late = None if step is None else _late(progress, step)
    return rows if late is None else [rows[0], row(f"      {late}", "warn"), rows[1]]


def _named(step: StepView) -> str:
    return f"{step.path} {what(step.verb, step.label)}"


def _late(progress: Progress, step: StepView) -> str | None:
    """What is said of a step that takes longer than predicted."""
    over = (progress.step_spent_ns - step.predicted_ns) / 1e9
    if over <= 0:
        return None
    gives_up = max(0.0, (step.timeout_ns - progress.step_spent_ns) / 1e9)
    return f"{over:.1f} s longer than predicted; it gives up in {gives_up:.1f} s"


def _question(progress: Progress, glance: Glance, width: int, height: int) -> list[Row]:
    """The question, and what the operator has typed so far, as large as there is room for."""
    if not progress.question:
        return []
    rows = [row(f" {line}", "ask") for line in with_its_end(progress.question, width - 2, 6 if height >= ROOMY else 4)]
    if progress.answer:
        rows += [row(f" {line}", "ask") for line in prose(f"{progress.answer!r} does not answer it", width - 2, 1)]
    if glance.watching:
        return [*rows, row(" to be answered in the run's own terminal", "ask")]
    typed = printable(glance.typed)
    wide = width_in_big(typed + "_")
    if height >= ROOMY and wide is not None and wide + 12 <= width:
        lead = [cell(text, 9) for text in ("typed:", "", "(Enter", "sends it)", "")]
        return [*rows, *(row(f" {left}{line}", "ask") for left, line in zip(lead, big(typed + "_"), strict=True))]
    return [*rows, row(f" typed: {typed}_   (Enter sends it)", "ask")]


def _middle(progress: Progress, width: int, room: int, *, roomy: bool) -> list[Row]:
    """Axes, pairs, replies, findings: each gets what it needs as long as there is room, the axes first."""
    found = _findings(progress, width)
    pairs = _pairs(progress, width, max(1, room // 4))
    link = _link(progress, width) if progress.axes else []
    gaps = 2 if roomy else 0
    least = min(len(found), max(3, room // 4))
    axes = axis_rows(progress.axes, progress.pairs, width, max(0, room - len(pairs) - len(link) - least - gaps))
    gap = [Row()] if roomy else []
    left = room - len(axes) - len(pairs) - len(link) - gaps - len(found)
    if left >= len(axes) + len(pairs) and not any(one.text.startswith("…") for one in axes):
        axes, pairs = _apart(axes), _apart(pairs)
    left = room - len(axes) - len(pairs) - len(link) - gaps
    return [*gap, *axes, *pairs, *link, *gap, *found[: max(0, left)]]


def _apart(rows: Sequence[Row]) -> list[Row]:
    """With an empty line behind each: there is room, and it reads better from afar."""
    return [one for pair in rows for one in (pair, Row())]


def _pairs(progress: Progress, width: int, most: int) -> list[Row]:
    pairs = progress.pairs
    if len(pairs) > most:
        pairs = sorted(pairs, key=lambda pair: -pair.strain)[:most]
    rows = []
    for pair in pairs:
        skew, unit = pair.skew, pair.first.unit
        figure = "not read yet" if skew is None else f"{abs(skew):.2f} {unit} of {pair.trip:g} {unit}"
        lead = cell(printable(f"skew of {pair.name}"), 26) + cell(printable(figure), 24, right=True) + " "
        wide = max(9, min(24, width - 54))
        rows.append(Row(((lead, ""), (bar(pair.strain, wide), tone(pair.strain)), (mark(pair.strain), ""))))
    return rows


def _link(progress: Progress, width: int) -> list[Row]:
    """Replies of the drives and the load of the bus, in one line or, where that is too long, in two."""
    replies = progress.replies
    if replies.median_ns is None or replies.worst_ns is None:
        text = "replies: none yet"
    else:
        text = f"replies {replies.median_ns / 1e6:.1f} ms, worst {replies.worst_ns / 1e6:.1f} ms"
    first: list[Span] = [(text, "")]
    if replies.load is not None:
        first += [("   bus ", ""), (f"{bar(replies.load, 12)} {replies.load:.0%}", tone(replies.load))]
    counts = f"lost {progress.lost}" + (f" ({replies.lost} just now)" if replies.lost else "")
    counts += f", late {progress.late}" if progress.late else ""
    second: Span = (counts, "warn" if replies.lost else "")
    if sum(width_of(text) for text, _ in (*first, second)) + 3 <= width:
        return [Row((*first, ("   ", ""), second))]
    return [Row(tuple(first)), Row((second,))]


def _findings(progress: Progress, width: int) -> list[Row]:
    """The latest first; of the very latest what to do as well."""
    rows: list[Row] = []
    for place, one in enumerate(reversed(progress.findings)):
        style = "alarm" if one.level in ("error", "refused") else "warn" if one.level == "warning" else ""
        lead = f"{one.t_ns / 1e9:.1f} s  {one.level}: "
        rows += [row(line, style) for line in prose(lead + one.headline, width, 2)]
        if place == 0 and one.help:
            rows += [row(f"  {line}") for line in prose(one.help, width - 2, 2)]
    return rows


def _foot(glance: Glance, width: int) -> Sequence[Row]:
    text = (ONLOOKER + SAFETY) if glance.watching else SAFETY[0].upper() + SAFETY[1:]
    return [row(f" {line}", "foot") for line in prose(text, width - 2, 4)]
