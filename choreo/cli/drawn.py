"""
A dry-run on a terminal: axes and steps, drawn over in place. (A run on a real bus is drawn by `choreo.cli.screen`.)

The session runs in this very thread, so drawing must cost little: at most every 100 ms of wall time, and the clock is
looked at only every few hundred readings.
"""

import time
from collections.abc import Callable
from types import TracebackType
from typing import Any, TextIO

from rich.console import Console, Group
from rich.live import Live
from rich.table import Table
from rich.text import Text

from choreo.cli.lines import headline
from choreo.cli.progress import Progress
from choreo.cli.screen.axes import AxisView
from choreo.report.table import printable
from choreo.report.text import what

REDRAW_S = 0.1
LOOK_EVERY = 200  # readings
RAIL = 24  # cells of an axis' travel
BAR = 20  # cells of the whole run


class DrawnRun:
    """Watches the journal and draws. A context: inside, the terminal is drawn over; afterwards the last state stays."""

    def __init__(
        self, stream: TextIO, gone: Callable[[], None], *, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self.progress = Progress()
        self._console = Console(file=stream, highlight=False, markup=False, emoji=False)
        self._live = Live(console=self._console, auto_refresh=False, transient=True)
        self._gone: Callable[[], None] | None = gone
        self._clock = clock
        self._drawn_s = clock()
        self._readings = 0

    def __enter__(self) -> "DrawnRun":
        self._live.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            self._live.stop()
        except OSError:
            self._lost()

    def record(self, kind: str, t_ns: int, fields: dict[str, Any]) -> None:
        """Take a record, and draw if it is time."""
        self.progress.record(kind, t_ns, fields)
        if kind in ("run", "stopping", "end"):
            self._draw()
        else:
            self._draw_if_due()

    def sample(self, t_ns: int, axis: int, counts: int, age_us: int) -> None:
        """Take a reading; look at the clock now and then."""
        self.progress.sample(t_ns, axis, counts, age_us)
        self._readings += 1
        if self._readings >= LOOK_EVERY:
            self._readings = 0
            self._draw_if_due()

    def _draw_if_due(self) -> None:
        if self._clock() - self._drawn_s >= REDRAW_S:
            self._draw()

    def _draw(self) -> None:
        if self._gone is None:
            return
        try:
            self._live.update(picture(self.progress), refresh=True)
        except OSError:
            self._lost()
        self._drawn_s = self._clock()

    def _lost(self) -> None:
        """The terminal has gone: no word more, and the run is to be stopped."""
        gone, self._gone = self._gone, None
        if gone is not None:
            gone()


def picture(progress: Progress) -> Group:
    """Title, the step under way, a line for each axis."""
    rows = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), show_header=False)
    for justify in ("left", "right", "right", "left", "left"):
        rows.add_column(justify=justify, no_wrap=True)
    for axis in progress.axes:
        style = "bold" if axis.state in ("moving", "stopping", "NOT PROVEN") else ""
        cells = (printable(axis.name), _position(axis), _target(axis), rail(axis), axis.state)
        rows.add_row(*map(Text, cells), style=style)  # as Text: brackets in a plain str would be taken for markup
    return Group(_line(headline(progress), "bold"), _where(progress), rows)


def _where(progress: Progress) -> Text:
    if progress.stopping:
        return _line(f"{progress.t_ns / 1e9:.1f} s  stopping: {progress.stopping}", "bold red")
    lead = f"{bar(progress.share)} {progress.share:4.0%}  "
    step = None if progress.step is None else progress.steps.get(progress.step)
    if step is None:
        return _line(f"{lead}{progress.done} of {len(progress.steps)} steps done")
    spent = (progress.t_ns - progress.step_began_ns) / 1e9
    words = f"{step.path} {what(step.verb, step.label)}  {spent:.1f} of {step.predicted_ns / 1e9:.1f} s"
    return _line(f"{lead}step {progress.done + 1} of {len(progress.steps)}: {words}")


def _line(text: str, style: str = "") -> Text:
    return Text(printable(text), style=style, no_wrap=True, overflow="ellipsis")


def bar(share: float) -> str:
    """How far the run has come, drawn."""
    full = int(share * BAR)
    return "[" + "#" * full + "." * (BAR - full) + "]"


def _position(axis: AxisView) -> str:
    return "" if axis.position is None else f"{axis.position:.3f} {axis.unit}"


def _target(axis: AxisView) -> str:
    return "" if axis.target is None else f"to {axis.target:.3f}"


def rail(axis: AxisView) -> str:
    """The axis within its travel, drawn; empty until it is homed."""
    if axis.place is None:
        return "" if axis.homed else "not homed"
    at = round(axis.place * (RAIL - 1))
    return "[" + "-" * at + "#" + "-" * (RAIL - 1 - at) + "]"
