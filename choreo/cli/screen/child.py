"""
The process that draws: it reads the journal, and from its standard input what the operator has typed so far.

It ends when that input ends, when the terminal is gone or, for somebody who only looks on, with the run. Interrupts are
for the process that started it, which has a machine to stop; a screen that vanished with the first Ctrl-C would show
nothing of the stop. It never reads the keyboard.
"""

import json
import os
import select
import signal
import sys
import time
from collections.abc import Sequence
from pathlib import Path

from choreo.cli.lines import SILENT_LOOKS, follow
from choreo.cli.progress import Progress
from choreo.cli.screen.clock import age_s, on_the_wall
from choreo.cli.screen.modes import Modes
from choreo.cli.screen.paint import Painter
from choreo.cli.screen.picture import picture
from choreo.cli.screen.process import FAILED, FAREWELL, NO_TERMINAL, RUN_ENDED, TOLD
from choreo.cli.screen.state import Glance
from choreo.cli.terminal import can_redraw
from choreo.errors import ChoreoError
from choreo.journal.tail import Tail

REDRAW_S = 0.1
#: A picture may wait; the session and its polls may not.
LESS_URGENT = 5


class Screen:
    """The picture and where it comes from."""

    def __init__(self, journal: Path, painter: Painter, *, watching: bool) -> None:
        self.progress = Progress()
        self.typed = ""
        self.told = False  # to end
        self._journal = journal
        self._tail = Tail(journal, self.progress)
        self._painter = painter
        self.watching = watching
        self._rest = b""

    @property
    def ended(self) -> bool:
        """Whether the run has."""
        return self._tail.ended

    def look(self) -> None:
        """Take what the journal has by now. RecipeError for what is no journal."""
        while self._tail.read():
            pass
        if self._tail.replaced:
            self._tail.close()
            self.progress = Progress()
            self._tail = Tail(self._journal, self.progress)

    def hear(self, data: bytes) -> None:
        """Lines of JSON from the process that reads the keyboard."""
        *lines, self._rest = (self._rest + data).split(b"\n")
        for line in lines:
            try:
                said = json.loads(line)
            except ValueError:
                continue
            if isinstance(said, dict):
                self.typed = str(said.get("typed", self.typed))
                self.told = self.told or FAREWELL in said

    def draw(self) -> None:
        """Draw what is known now. OSError when the terminal has gone."""
        size = self._painter.size()
        self._painter.draw(picture(self.progress, self._glance(), *size), size)

    def _glance(self) -> Glance:
        written_s = self._tail.written_s()
        return Glance(
            begun=self._tail.size > 0 and bool(self.progress.title),
            silent_s=age_s(written_s),
            since=on_the_wall(written_s),
            typed=self.typed,
            watching=self.watching,
            place=str(self._journal),
        )


def show(screen: Screen, painter: Painter, modes: Modes) -> int:
    """Draw until there is a reason to end; one of the codes above."""
    told, due_s = sys.stdin.fileno(), 0.0
    painter.enter()
    while True:
        screen.look()
        now_s = time.monotonic()
        if now_s >= due_s:
            screen.draw()
            due_s = now_s + REDRAW_S
        if screen.ended and screen.watching:
            return RUN_ENDED
        if not select.select([told], [], [], max(0.0, due_s - now_s))[0]:
            modes.remember()  # here the other side is alive
            continue
        data = os.read(told, 1 << 16)
        if not data:
            screen.look()
            screen.draw()
            return TOLD
        screen.hear(data)


def tell(journal: Path) -> int:
    """The same for an output that cannot be drawn over: plain lines."""

    def leaves() -> bool:
        ready = select.select([sys.stdin], [], [], REDRAW_S)[0]
        return bool(ready) and not os.read(sys.stdin.fileno(), 1 << 16)

    follow(journal, sys.stdout, leaves, SILENT_LOOKS)
    return TOLD


def main(words: Sequence[str]) -> int:
    """`JOURNAL run|watch`: draw on standard output."""
    for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGTTOU", "SIGTSTP"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.SIG_IGN)
    if hasattr(os, "nice"):
        os.nice(LESS_URGENT)
    if not can_redraw(sys.stdout):
        try:
            return tell(Path(words[0]))
        except ChoreoError as error:
            print(f"choreo: the screen has ended: {error.headline}", file=sys.stderr, flush=True)
            return FAILED
    painter, modes = Painter(sys.stdout), Modes(sys.stdout.fileno())
    screen = Screen(Path(words[0]), painter, watching=words[1] == "watch")
    trouble = ""
    code = FAILED
    try:
        code = show(screen, painter, modes)
    except ChoreoError as error:
        trouble = "" if screen.watching else error.headline  # the one who watches finds the same, and says it
    except OSError:
        code = NO_TERMINAL
    except Exception as bug:  # noqa: BLE001  a screen that fails must not look like a run that does
        trouble = f"{type(bug).__name__}: {bug}"
    finally:
        try:
            painter.leave()
            if code == TOLD and not screen.told:
                modes.restore()
            if trouble:
                print(f"choreo: the screen has ended: {trouble}", file=sys.stderr, flush=True)
        except OSError:
            code = NO_TERMINAL
    return code
