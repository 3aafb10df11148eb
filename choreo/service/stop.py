"""
A stop through the process that has the machine: it is asked to stop, and its journal says how each axis came to rest.

Only the process that has the adapter knows what it has handed over, what is loaded and where each axis was told to go;
so its own stopping is better than any from outside, and it is asked first. A process that hangs hears nothing: that is
found out within a second, and said.
"""

from __future__ import annotations

import json
import os
import signal
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from choreo.errors import RecipeError
from choreo.journal.after_stop import AxisAfterStop, axis_after_stop
from choreo.journal.folder import RunFolder
from choreo.journal.tail import Tail
from choreo.running import Running, find

#: The record `stopping` must stand in the journal so soon after the process was asked.
REACTS_S = 1.0
#: While it is stopping a journal grows with every reading; one that has not for so long is a process that hangs.
HANGS_S = 5.0
#: How often is looked.
LOOK_S = 0.01


@dataclass(frozen=True, slots=True)
class Answered:
    """
    What became of the process that was asked. `how` it went: it has `stopped` the machine; it `ended` without a stop;
    it is `deaf`, with no sign that it has heard; it `hangs`, having begun to stop. `exit` is what its journal ends
    with, None for one without an end.
    """

    running: Running
    how: Literal["stopped", "ended", "deaf", "hangs"]
    axes: tuple[AxisAfterStop, ...] = ()
    exit: int | None = None
    halted: bool = False  # by SIGSTOP or a debugger: it will hear when it is let go on

    @property
    def proven(self) -> bool:
        """Whether every axis is proven to stand."""
        return self.how == "stopped" and bool(self.axes) and all(axis.proven for axis in self.axes)


def ask_to_stop(running: Running, stopping: Callable[[str], None] = lambda cause: None) -> Answered:
    """
    Ask the process (SIGTERM: it posts an interrupt to its session), and follow its journal to the end. `stopping` gets
    the cause as soon as the journal has it. Returns at the latest when the journal has not grown for `HANGS_S`.
    """
    watched = _Watched(stopping)
    try:
        os.kill(running.pid, signal.SIGTERM)
    except OSError:  # it has just ended
        return Answered(running, "ended")
    with Tail(RunFolder(running.folder).journal, watched) as tail:
        asked = grown = time.monotonic()
        while True:
            alive = any(one.pid == running.pid for one in find())
            try:
                while _is_its_own(tail.path, running) and tail.read():
                    grown = time.monotonic()
            except RecipeError:  # no journal that could be followed: what counts is whether the process ends
                pass
            if not alive or (tail.ended and watched.stopping_seen):
                return watched.answered(running)
            now, halted = time.monotonic(), is_halted(running.pid)
            if not watched.stopping_seen and (halted or now - asked > REACTS_S):
                return Answered(running, "deaf", halted=halted)
            if watched.stopping_seen and now - grown > HANGS_S:
                return Answered(running, "hangs", tuple(watched.axes.values()), halted=halted)
            time.sleep(LOOK_S)


def _is_its_own(journal: Path, running: Running) -> bool:
    """Whether the process may have written it: a journal from before it had the bus is an earlier run's."""
    try:
        return journal.stat().st_mtime >= running.since
    except OSError:
        return False


def guardian_word(folder: Path, patience_s: float) -> str:
    """What the guardian of the session in this folder says that it did; empty where it leaves no note in time."""
    until = time.monotonic() + patience_s
    while True:
        try:
            note = json.loads(RunFolder(folder).guardian.read_text(encoding="utf-8"))
            return f"its guardian: {note['why']}; {note['outcome']}"
        except (OSError, ValueError, KeyError, TypeError):
            if time.monotonic() > until:
                return ""
        time.sleep(LOOK_S)


def is_halted(pid: int) -> bool:
    """Whether a process was halted (SIGSTOP, a debugger); False where the system does not tell."""
    try:
        told = Path(f"/proc/{pid}/stat").read_text(encoding="utf-8", errors="replace")
    except OSError:
        return False
    return told.rpartition(")")[2].split()[:1] in (["T"], ["t"])


class _Watched:
    """The records of a journal that matter here."""

    def __init__(self, stopping: Callable[[str], None]) -> None:
        self.axes: dict[str, AxisAfterStop] = {}
        self.stopping_seen = False
        self._names: list[str] = []
        self._units: dict[str, str] = {}
        self._exit: int | None = None
        self._stopping = stopping

    def record(self, kind: str, t_ns: int, fields: dict[str, Any]) -> None:
        """See `choreo.journal.tail.Taker`."""
        if kind == "run":
            self._units = {axis["name"]: axis["unit"] for axis in fields["axes"]}
        elif kind == "stopping":
            self.stopping_seen = True
            self._stopping(fields["cause"])
        elif kind in ("at_rest", "unproven"):
            name = fields["axis"]
            self.axes[name] = axis_after_stop(kind, fields, self._units.get(name, ""))
        elif kind == "end":
            self._exit = fields["exit"]

    def sample(self, t_ns: int, axis: int, counts: int, age_us: int) -> None:
        """See `choreo.journal.tail.Taker`."""

    def answered(self, running: Running) -> Answered:
        """It has ended, or its journal has."""
        if not self.stopping_seen or self._exit is None:
            return Answered(running, "ended", tuple(self.axes.values()), self._exit)
        lacking = (name for name in self._units if name not in self.axes)
        unheard = (_unheard(name, self._units[name]) for name in lacking)
        return Answered(running, "stopped", (*self.axes.values(), *unheard), self._exit)


def _unheard(name: str, unit: str) -> AxisAfterStop:
    action = "Stay clear. See for yourself that the axis stands before anyone goes near it."
    why = "its journal says nothing of it"
    return AxisAfterStop(name, unit, False, None, None, None, False, "unknown", why, action)


def lines_of(axes: Iterable[AxisAfterStop]) -> Iterable[str]:
    """Each axis in words: whether it has come to rest, where, how it is held, and what to do where that matters."""
    for axis in axes:
        if axis.proven:
            yield f"{axis.axis} has come to rest{_place(axis)}: {_held(axis)} ({axis.why})"
            if axis.load != "empty":
                yield f"    {axis.next_action}"
        else:
            yield f"{axis.axis} is NOT PROVEN AT REST{_last(axis)}: {axis.why}"
            yield f"    {axis.next_action}"


def _place(axis: AxisAfterStop) -> str:
    if axis.position is None:
        return ""
    return f" at {axis.position:.3f} {axis.unit}"


def _last(axis: AxisAfterStop) -> str:
    return "" if axis.position is None else f", last read at {axis.position:.3f} {axis.unit}"


def _held(axis: AxisAfterStop) -> str:
    power = {True: "under power", False: "without power", None: "power unknown"}[axis.energised]
    home = "home valid" if axis.home_valid else "no valid home"
    load = {"empty": "holds no load", "loaded": "HOLDS A LOAD"}.get(axis.load, "MAY HOLD A LOAD")
    return f"{power}, {home}, {load}"
