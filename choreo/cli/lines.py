"""A run as plain lines: one a step as it ends. For files, pipes and terminals that cannot redraw."""

from collections.abc import Callable
from pathlib import Path
from typing import Any, TextIO

from choreo.cli.progress import Progress
from choreo.cli.screen.clock import on_the_wall
from choreo.journal.tail import Tail
from choreo.report.table import printable
from choreo.report.text import plain_step

#: How many looks of a tenth of a second without anything new are worth a line.
SILENT_LOOKS = 100


class PlainLines:
    """
    Watches the journal and prints. `gone` is called once when the output can take no more (a closed pipe); printing
    never raises, because it happens in the middle of the session.
    """

    def __init__(self, stream: TextIO, gone: Callable[[], None]) -> None:
        self._stream: TextIO | None = stream
        self._gone = gone
        self._progress = Progress()

    def record(self, kind: str, t_ns: int, fields: dict[str, Any]) -> None:
        """Print what a record says, if it says anything to a reader."""
        self._progress.record(kind, t_ns, fields)
        if kind == "run":
            self._print(headline(self._progress))
        elif kind == "step_end":
            step = self._progress.steps[fields["step"]]
            self._print(plain_step(step.path, step.verb, step.label, fields))
        elif kind == "finding":
            self._print(printable(f"{fields.get('level', 'error')}: {fields['headline']}"))
        elif kind == "operator":
            self._print(printable(asked(fields)))
        elif kind == "stopping":
            self._print(printable(f"stopping all axes: {fields['cause']}"))
        elif kind in ("at_rest", "unproven"):
            words = "at rest" if kind == "at_rest" else "NOT PROVEN at rest"
            self._print(printable(f"{fields['axis']}: {words}"))

    #: Readings are no lines.
    sample = None

    def say(self, line: str) -> None:
        """A line of our own."""
        self._print(printable(line))

    def _print(self, line: str) -> None:
        if self._stream is None:
            return
        try:
            print(line, file=self._stream, flush=True)
        except (OSError, ValueError):  # ValueError: the stream was closed under us
            self._stream = None
            self._gone()


class _Records:
    """What a tail tells, without the readings."""

    def __init__(self, lines: PlainLines) -> None:
        self.record = lines.record

    def sample(self, t_ns: int, axis: int, counts: int, age_us: int) -> None:
        """Readings are no lines."""


def follow(journal: Path, stream: TextIO, leaves: Callable[[], bool], silent_looks: int) -> bool:
    """
    Print a run as its journal grows, until its end; whether it has come to that. Whether to look again is asked of
    `leaves`, which also waits until it is time to. So many looks without a word are worth a line.

    Raises:
        RecipeError: it is no journal.
    """
    gone: list[bool] = []
    lines = PlainLines(stream, lambda: gone.append(True))
    tail, looks = Tail(journal, _Records(lines)), 0
    if not journal.exists():
        lines.say(f"waiting for {journal}")
    while True:
        if tail.read():
            looks = 0
            continue
        if tail.ended or gone:
            break
        if tail.replaced:
            tail.close()
            lines.say("the folder was taken over by another run")
            lines = PlainLines(stream, lambda: gone.append(True))
            tail = Tail(journal, _Records(lines))
        if leaves():
            while tail.read():  # what came last is told as well
                pass
            break
        looks += 1
        if looks == silent_looks and tail.exists:
            since = on_the_wall(tail.written_s())
            lines.say(
                f"nothing was written since {since}: the run may have been cut off; look at the machine. Still waiting"
            )
    tail.close()
    return tail.ended and not gone


def asked(fields: dict[str, Any]) -> str:
    """A question, an answer and who gave it, an interrupt."""
    text = fields.get("text", "")
    if fields["what"] == "asked":
        return f"to be confirmed (yes or no): {text}"
    if fields["what"] == "answer":
        return f"{text} (by the {fields.get('by', 'operator')})"
    return f"operator: {fields['what']}"


def headline(progress: Progress) -> str:
    """What is run, in one line."""
    seed = "" if progress.seed is None else f", seed {progress.seed}"
    pace = "" if progress.pace == "1" else f", pace {progress.pace}"
    machine = "" if progress.machine == progress.title else f" on {progress.machine}"
    return printable(
        f"{progress.mode} of {progress.title}{machine}{seed}{pace}: "
        f"{len(progress.steps)} steps, {progress.predicted_ns / 1e9:.1f} s predicted"
    )
