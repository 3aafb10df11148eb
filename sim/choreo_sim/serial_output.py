"""
What a serial-line adapter has for its host: whole lines, as fast as the line goes, and a limit to what it keeps.

A host that does not read loses lines, as with a real adapter; that is counted and said.
"""

import contextlib
import os
import select
import termios
from collections.abc import Callable

from choreo_sim.kernel import Handle
from choreo_sim.realtime import RealTime

#: Bytes that are held for a host that does not read; whole lines beyond are lost.
LIMIT = 4096
#: An answer that nobody waits for leaves with the next line, or so late, as USB adapters speak once a millisecond.
SOON_NS = 1_000_000
#: At most so often it begins to tell of losses: with a host at its limit they come and go.
TELL_AGAIN_NS = 1_000_000_000


class SerialOutput:
    """
    Writes to `descriptor`, the adapter's end of a pseudo-terminal; with `byte_ns` each byte takes so long.

    `attended` is whether a host has the port open: what is put while there is none is gone, as on a real line.
    """

    def __init__(self, realtime: RealTime, descriptor: int, byte_ns: int, say: Callable[[str], object]) -> None:
        self.lost = 0
        self.attended = False
        self.frozen = False
        self._realtime = realtime
        self._kernel = realtime.kernel
        self._descriptor = descriptor
        self._byte_ns = byte_ns
        self._tell = say
        self._waiting = bytearray()
        self._free_ns = 0  # when a paced line has sent what it was given
        self._host = 0  # which host it is: lines for an earlier one are not for this one
        self._losing = 0  # lines lost since that was last said to be over
        self._told = False  # that lines are lost
        self._quiet_until_ns = 0
        self._owed = b""  # answers that leave with the next line
        self._due: Handle | None = None

    def put(self, line: bytes) -> None:
        """One line for the host, or one answer."""
        if not self._byte_ns:
            self._pass(line)
            return
        now_ns = self._kernel.now_ns
        start_ns = max(now_ns, self._free_ns)
        if start_ns - now_ns > LIMIT * self._byte_ns:
            self._lose("the line is too slow for the bus")
            return
        if self._told and not self._waiting and start_ns - now_ns < LIMIT // 2 * self._byte_ns:
            self._found_again()
        self._free_ns = start_ns + len(line) * self._byte_ns
        self._kernel.at(self._free_ns, self._pass_to, (self._host, line))

    def soon(self, answer: bytes) -> None:
        """An answer for which nobody waits; it keeps its place in the order."""
        if self._byte_ns:
            self.put(answer)
            return
        self._owed += answer
        if self._due is None:
            self._due = self._kernel.after(SOON_NS, self._pay)

    def forget(self, other: int) -> None:
        """The host is gone, and what it has not read with it; `other` is the pseudo-terminal's other end."""
        self._host += 1
        self._free_ns = 0
        self.attended = False
        self._waiting.clear()
        self._owed = b""
        self.rest()
        select.select([other], [], [], 0)  # what was written last is still under way to where it can be thrown away
        with contextlib.suppress(termios.error):
            termios.tcflush(other, termios.TCIFLUSH)
        self._found_again()

    def rest(self) -> None:
        """Wait no longer for the host to read."""
        self._realtime.ignore_writable(self._descriptor)

    def close(self) -> None:
        """The plug is out."""
        self.rest()
        self.frozen = True

    def _pass_to(self, what: tuple[int, bytes]) -> None:
        if what[0] == self._host:
            self._pass(what[1])

    def _pay(self, _: None) -> None:
        self._due = None
        if self._owed:
            self._pass(b"")

    def _pass(self, line: bytes) -> None:
        if self._due is not None:
            self._kernel.cancel(self._due)
            self._due = None
        line, self._owed = self._owed + line, b""
        if self.frozen or not self.attended:
            return
        if not self._waiting:
            try:
                sent = os.write(self._descriptor, line)
            except OSError:  # full; or gone, which reading finds out
                sent = 0
            if sent == len(line):
                if self._told and not self._byte_ns:
                    self._found_again()
                return
            line = line[sent:]
            self._realtime.watch_writable(self._descriptor, self._write)
        elif len(self._waiting) + len(line) > LIMIT:
            self._lose("the host does not read")
            return
        self._waiting += line

    def _write(self) -> None:
        try:
            del self._waiting[: os.write(self._descriptor, self._waiting)]
        except BlockingIOError:
            return
        except OSError:
            self._waiting.clear()
        if not self._waiting:
            self.rest()

    def _lose(self, why: str) -> None:
        self.lost += 1
        self._losing += 1
        if not self._told and self._kernel.now_ns >= self._quiet_until_ns:
            self._told = True
            self._tell(f"{why}: lines for it are lost")

    def _found_again(self) -> None:
        """Say what it cost, once it is over."""
        if self._told:
            self._tell(f"that is over; lines lost: {self._losing}")
            self._told = False
            self._losing = 0
            self._quiet_until_ns = self._kernel.now_ns + TELL_AGAIN_NS
