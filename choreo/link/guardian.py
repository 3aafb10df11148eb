"""
The guardian: a process of its own that stops the machine when the session cannot any more.

It shares nothing with the session but the adapter's descriptor and a pipe (`guardian_process.py`). A session that is
killed, or halted for two seconds, stops the machine through it. It is no safety function: it needs the same computer,
the same adapter and the same bus.
"""

import contextlib
import json
import os
import select
import subprocess
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Protocol

from choreo.errors import ChoreoError, InternalError
from choreo.frame import Frame
from choreo.link.guardian_process import ACTED, BEAT, FAILED, FAREWELL, HELPLESS, READY
from choreo.link.past import WayPast
from choreo.link.port import Event, Interrupt

#: A session that is silent for so long is taken for dead.
SILENCE_S = 2.0
#: The stop is written once, and so many times again.
AGAIN = 5
APART_S = 0.05
#: How long the guardian may take to begin and to end; it needs a hundredth of that.
PATIENCE_S = 10.0
#: How long a beat that finds the guardian gone may wait to learn why: the session has a machine to watch.
LEARNS_S = 0.05

PROGRAM = Path(__file__).with_name("guardian_process.py")


class Guarded(Protocol):
    """What is guarded: a live link."""

    def way_past(self) -> WayPast | str:
        """The descriptor and how a frame is written to it; or in words why there is none."""
        ...

    def post(self, event: Event) -> None:
        """Put an event in front of the session."""
        ...


class Guardian:
    """`trouble` says why nobody guards the session; it is empty while somebody does."""

    def __init__(self, post: Callable[[Event], None], trouble: str = "") -> None:
        self.trouble = trouble
        self._post = post
        self._process: subprocess.Popen[bytes] | None = None
        self._pipe = -1
        self._beaten = False  # before the first beat the session has sent nothing

    def beat(self) -> str:
        """
        The session lives. To be called every 200 ms from the first time on, until the farewell. Where the guardian is
        found to have stopped the machine, the session gets an `Interrupt`: it was halted for too long to go on.
        Returns, once, why nobody guards the session any more; otherwise nothing.
        """
        if self._pipe < 0:
            return ""
        self._beaten = True
        try:
            os.write(self._pipe, BEAT)
        except BlockingIOError:
            return ""  # it is full of beats
        except OSError:
            self._gone()
        return self.trouble

    def begin(self, descriptor: int, opening: bytes, stops: Sequence[bytes], note: Path) -> None:
        """Start the process and wait until it is there; where it does not come, `trouble` says so."""
        alive, pipe = os.pipe()
        what = {
            "descriptor": descriptor,
            "alive": alive,
            "opening": opening.hex(),
            "stops": [stop.hex() for stop in stops],
            "packets": not opening,  # a line takes all at once, a socket of the kernel one frame at a time
            "note": str(note.absolute()),
            "silence_s": SILENCE_S,
            "again": AGAIN,
            "apart_s": APART_S,
        }
        try:
            self._process = subprocess.Popen(
                [sys.executable, "-I", "-S", str(PROGRAM), json.dumps(what)],
                stdin=subprocess.DEVNULL,
                stdout=subprocess.PIPE,
                pass_fds=(descriptor, alive),
                start_new_session=True,
            )
        except OSError as failure:
            os.close(pipe)
            self.trouble = f"the guardian cannot be started: {failure.strerror or failure}"
            return
        finally:
            os.close(alive)
        os.set_blocking(pipe, False)
        self._pipe = pipe
        if not self._came(self._process):
            self.trouble = "the guardian did not begin"
            self._process.kill()
            self._end()

    def _came(self, process: "subprocess.Popen[bytes]") -> bool:
        assert process.stdout is not None
        with process.stdout as ready:
            readable, _, _ = select.select([ready], [], [], PATIENCE_S)
            return bool(readable) and os.read(ready.fileno(), 1) == READY

    def _gone(self) -> None:
        os.close(self._pipe)
        self._pipe = -1
        assert self._process is not None
        try:
            code = self._process.wait(LEARNS_S)
        except subprocess.TimeoutExpired:
            code = ACTED  # it lets go of the pipe when it has acted, and may have to wait for a disk or a terminal
        if code in (ACTED, FAILED):
            did = "has stopped the machine" if code == ACTED else "could not stop the machine"
            self.trouble = f"the guardian {did}: nothing had been heard of choreo for too long"
            self._post(Interrupt(self.trouble, by_operator=False))
        else:
            self.trouble = "the guardian has ended"

    def farewell(self) -> None:
        """
        The session is over, and the machine at rest or declared unproven: the guardian ends and sends nothing. To be
        called when nobody beats any more; the context manager does it at the latest. Idempotent.
        """
        if self._pipe >= 0:
            with contextlib.suppress(OSError):
                os.write(self._pipe, FAREWELL)
            self._end()
        elif self._process is not None:
            self._wait()  # it has acted, and may still be leaving its note

    def alarm(self, *, helpless: bool = False) -> None:
        """
        The session is broken: what the guardian does when it is killed, it does now; also where the session is sound
        and has lost the adapter or the bus (`helpless`). Before the first beat nothing was sent, and there is nothing
        to stop.
        """
        if not self._beaten:
            self.farewell()
        elif self._pipe >= 0:
            if helpless:
                with contextlib.suppress(OSError):
                    os.write(self._pipe, HELPLESS)
            self._end()

    def _end(self) -> None:
        os.close(self._pipe)
        self._pipe = -1
        self._wait()

    def _wait(self) -> int | None:
        assert self._process is not None
        try:
            return self._process.wait(PATIENCE_S)
        except subprocess.TimeoutExpired:
            self._process.kill()
            return self._process.wait()


@contextmanager
def guarded_by(link: Guarded, frames: Sequence[Frame], note: Path) -> Iterator[Guardian]:
    """
    While inside, a guardian stands by that sends `frames`, the stop of every node, when this process cannot any more;
    then it writes what it did to the file `note`. Before anything moves, look at `trouble`: where the adapter has no
    way for a second process, or the guardian does not begin, it says why nobody guards.

    A clean end is the farewell, and so is what choreo raises on purpose: a session that began stops by itself before
    it does. Any other exception that comes out of the inside lets the guardian send the stop.
    """
    past = link.way_past()
    if isinstance(past, str):
        yield Guardian(link.post, past)
        return
    descriptor, written = past
    guardian = Guardian(link.post)
    try:
        guardian.begin(descriptor, written.opening, [written(frame) for frame in frames], note)
        yield guardian
    except BaseException as failure:
        if isinstance(failure, ChoreoError) and not isinstance(failure, InternalError):
            guardian.farewell()
        else:
            guardian.alarm()
        raise
    guardian.farewell()
