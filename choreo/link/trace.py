"""
Bus traces as text: a link that writes down what passes, and the reader of such files.

The form is that of `candump -L` with the direction at the end, which python-can reads back:
`(12.000345) can0 14B#12 T`. Times are seconds since the trace began, to the microsecond.
"""

import re
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TextIO

from choreo.errors import RecipeError
from choreo.frame import Frame
from choreo.link.port import BusTrouble, Confirmed, Event, HearsSteps, Link

#: What stands for an error frame: the identifier has the error flag and "bus error" (linux/can.h, linux/can/error.h).
ERROR_FRAME = Frame(0x20000080, extended=True)


@contextmanager
def trace_file(path: Path) -> Iterator[TextIO]:
    """A new trace, open inside. What a full disk does not take at its end is not worth an error."""
    file = path.open("w", encoding="ascii", newline="\n")
    try:
        yield file
    finally:
        with suppress(OSError):
            file.close()


class TraceLink:
    """
    Any link, with every frame that passes written to `out`.

    An `out` that takes no more (a full disk) ends the trace and nothing else: the session, which may have a machine to
    bring to rest, hears of it by a `BusTrouble`.

    A submitted frame is written when the link knows that it has left, so one that is withdrawn, or lost with the
    adapter, is not in the trace. Unless the frame was to be confirmed, its line bears the time of handing over, or that
    of the line before it if that is later: times never run backwards.
    """

    def __init__(self, link: Link, out: TextIO, *, channel: str = "can0") -> None:
        self._link = link
        self._write = out.write
        self._channel = channel
        self._heads: tuple[dict[int, str], dict[int, str]] = ({}, {})  # by identifier: base, extended
        self._start_ns = self._last_ns = link.now_ns()
        self._waiting: deque[tuple[int, Frame, bool]] = deque()  # submitted and not yet written; True: to be confirmed

    def now_ns(self) -> int:
        """See `Link.now_ns`."""
        return self._link.now_ns()

    def submit(self, frame: Frame, *, confirm: bool = False) -> None:
        """See `Link.submit`."""
        self._waiting.append((self._link.now_ns(), frame, confirm))
        self._link.submit(frame, confirm=confirm)

    def withdraw(self, unwanted: Callable[[Frame], bool]) -> list[Frame]:
        """See `Link.withdraw`."""
        taken = self._link.withdraw(unwanted)
        left = list(taken)
        kept: deque[tuple[int, Frame, bool]] = deque()
        for entry in reversed(self._waiting):  # what was taken back is among the last
            if left and entry[1] == left[-1]:
                left.pop()
            else:
                kept.appendleft(entry)
        self._waiting = kept
        return taken

    def unsent(self) -> int:
        """See `Link.unsent`."""
        return self._link.unsent()

    def post(self, event: Event) -> None:
        """See `Link.post`."""
        self._link.post(event)

    async def receive_until(self, deadline_ns: int) -> Frame | Event | None:
        """See `Link.receive_until`."""
        got = await self._link.receive_until(deadline_ns)
        if isinstance(got, Frame):
            if self._waiting:
                self._note_sent(got.t_ns)
            self._line(got.t_ns, got, " R\n")
        elif isinstance(got, Confirmed):
            self._note_confirmed(got)
        elif isinstance(got, BusTrouble):
            self._line(got.t_ns, ERROR_FRAME, "\n")
        elif self._waiting:
            self._note_sent(self._link.now_ns())
        return got

    def step_begins(self, path: str, label: str, verb: str) -> None:
        """See `HearsSteps`: passed on to a link that hears it."""
        if isinstance(self._link, HearsSteps):
            self._link.step_begins(path, label, verb)

    def close(self) -> None:
        """See `Link.close`. The file stays open: it belongs to whoever opened it."""
        for _ in range(len(self._waiting) - self._link.unsent()):
            t_ns, frame, _ = self._waiting.popleft()
            self._line(t_ns, frame, " T\n")
        self._link.close()

    def _note_sent(self, before_ns: int) -> None:
        """Write what has left and was handed over by `before_ns`, up to the first whose confirmation must come."""
        waiting = self._waiting
        left = len(waiting) - self._link.unsent()
        while left > 0:
            t_ns, frame, confirm = waiting[0]
            if confirm or t_ns > before_ns:
                return
            waiting.popleft()
            self._line(t_ns, frame, " T\n")
            left -= 1

    def _note_confirmed(self, sign: Confirmed) -> None:
        """Frames leave in order: whatever was submitted before this one has left as well."""
        if not any(confirm and frame == sign.frame for _, frame, confirm in self._waiting):
            return
        while self._waiting:
            t_ns, frame, confirm = self._waiting.popleft()
            if confirm and frame == sign.frame:
                self._line(sign.t_ns, frame, " T\n")
                return
            self._line(t_ns, frame, " T\n")

    def _line(self, t_ns: int, frame: Frame, end: str) -> None:
        """A line of the trace; every frame of a run comes through here."""
        id, data, extended, remote, _ = frame
        if t_ns < self._last_ns:
            t_ns = self._last_ns
        self._last_ns = t_ns
        head = self._heads[extended].get(id) or self._new_head(id, extended)
        micros = (t_ns - self._start_ns) // 1000
        payload = "R" if remote else data.hex().upper()
        try:
            self._write(f"({micros // 1000000}.{micros % 1000000:06d}{head}{payload}{end}")
        except OSError as full:
            self._write = len  # writes nothing
            what = f"the trace cannot be written any more: {full.strerror or full}"
            self._link.post(BusTrouble(what, self._link.now_ns()))

    def _new_head(self, id: int, extended: bool) -> str:
        """What stands between time and data, made once for each identifier."""
        head = f") {self._channel} {id:08X}#" if extended else f") {self._channel} {id:03X}#"
        self._heads[extended][id] = head
        return head


@dataclass(frozen=True, slots=True)
class TraceLine:
    """
    One line of a trace. `frame` bears the time of the line, in nanoseconds; None stands for an error frame or a CAN FD
    frame, with `note` saying which. `sent` is None where the trace does not tell.
    """

    t_ns: int
    channel: str
    frame: Frame | None
    sent: bool | None
    note: str = ""


_LINE = re.compile(
    r"\((?P<seconds>[0-9]{1,12})\.(?P<fraction>[0-9]{1,9})\)\s+(?P<channel>\S+)\s+"
    r"(?P<id>[0-9A-Fa-f]{3}|[0-9A-Fa-f]{8})#(?P<data>R[0-8]?|#[0-9A-Fa-f]+|(?:[0-9A-Fa-f]{2}){0,8})"
    r"(?:\s+(?P<direction>[RT]))?"
)


def read_trace(lines: Iterable[str], name: str = "trace") -> Iterator[TraceLine]:
    """
    The lines of a trace, given with their line ends; empty ones are skipped, and so is a last one that was cut off.

    Raises:
        RecipeError: a line is none of a trace; the message names `name`, line and text.
    """
    for number, line in enumerate(lines, 1):
        text = line.strip()
        if not text:
            continue
        found = _LINE.fullmatch(text)
        if found is not None and _fits(found["id"]) and (found["direction"] or line.endswith("\n")):
            yield _trace_line(found)
        elif line.endswith("\n"):
            raise RecipeError(
                f"{name}:{number}: {text[:80]!r} is no line of a bus trace",
                rule="trace-line",
                help="A line looks like this: (12.000345) can0 14B#12 T",
            )
        else:
            return


def _fits(id: str) -> bool:
    value = int(id, 16)
    return value <= 0x7FF if len(id) == 3 else value <= 0x3FFFFFFF


def _trace_line(found: re.Match[str]) -> TraceLine:
    t_ns = int(found["seconds"]) * 1_000_000_000 + int(found["fraction"].ljust(9, "0"))
    sent = None if found["direction"] is None else found["direction"] == "T"
    id, data, channel = int(found["id"], 16), found["data"], found["channel"]
    if id & 0x20000000:
        return TraceLine(t_ns, channel, None, sent, "error frame")
    if data.startswith("#"):
        return TraceLine(t_ns, channel, None, sent, "CAN FD frame")
    remote = data.startswith("R")
    payload = b"" if remote else bytes.fromhex(data)
    return TraceLine(t_ns, channel, Frame(id, payload, len(found["id"]) == 8, remote, t_ns), sent)
