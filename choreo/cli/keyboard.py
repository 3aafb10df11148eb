"""
The operator's keyboard during a run: space and Esc stop at once, words are answers once Enter ends them.

The terminal gives every key as it is pressed and echoes none; the screen shows what was typed. Ctrl-C and its relatives
stay signals. A command in the background, or without a terminal, has no keys: there lines of standard input are
answers, and its end is the end of answers and no stop.
"""

import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from choreo.link.port import Answer, Event, Interrupt
from choreo.link.supervise import readable

SPACE, ESCAPE, ENTER, ERASE = b" ", b"\x1b", b"\r\n", b"\x08\x7f"
#: A longer word is no answer to anything.
LONGEST = 200


class Keys:
    """
    Turns bytes of a terminal into events. `post` gets each event, `typed` what stands in the line so far.
    """

    def __init__(self, post: Callable[[Event], None], typed: Callable[[str], None]) -> None:
        self._post = post
        self._typed = typed
        self._line = b""
        self._old = False  # what stands in the line was typed before somebody asked

    def forget(self) -> None:
        """Somebody asks: what was typed before is no answer, nor the beginning of one. Safe from any thread."""
        self._old = True

    def take(self, data: bytes) -> None:
        """Keys as they came. Whatever begins with Esc (an arrow, say) stops too: in doubt everything stands."""
        if self._old:
            self._old = False
            self._set(b"")
        for byte in (data[place : place + 1] for place in range(len(data))):
            if byte == SPACE:
                self._stop("the space bar")
            elif byte == ESCAPE:
                self._stop("Esc")
                return
            elif byte in ENTER:
                self._enter()
            elif byte in ERASE:
                self._set(self._line[:-1])
            elif len(self._line) < LONGEST and byte >= b" ":
                self._set(self._line + byte)

    def _enter(self) -> None:
        line, self._line = self._line, b""
        self._typed("")
        if line.strip():  # Enter alone is nothing
            self._post(Answer(line.decode("utf-8", "replace")))

    def _stop(self, key: str) -> None:
        self._set(b"")
        self._post(Interrupt(key))

    def _set(self, line: bytes) -> None:
        self._line = line
        self._typed(line.decode("utf-8", "replace"))


class Keyboard:
    """
    Reads standard input beside a session. `ended` is true once nobody can answer any more.
    """

    def __init__(self, post: Callable[[Event], None], typed: Callable[[str], None] = lambda text: None) -> None:
        self._post = post
        self._descriptor = _descriptor()
        self._keys = Keys(post, typed)
        self._lines = b""
        self._old_lines = False
        self.ended = self._descriptor is None
        self.terminal = self._descriptor is not None and os.isatty(self._descriptor)

    def forget(self) -> None:
        """See `Keys.forget`."""
        self._keys.forget()
        self._old_lines = True

    async def read(self) -> None:
        """Until there is nothing more to read; the session goes on without."""
        while not self.ended and self._descriptor is not None:
            try:
                await readable(self._descriptor)
                data = os.read(self._descriptor, 1024)
            except (OSError, ValueError):
                data = b""
            if not data:
                self.ended = True
                if self.terminal:
                    self._post(Interrupt("the terminal is gone"))
            elif self.terminal:
                self._keys.take(data)
            else:
                self._take_lines(data)

    def _take_lines(self, data: bytes) -> None:
        if self._old_lines:
            self._old_lines, self._lines = False, b""
        *lines, self._lines = (self._lines + data).split(b"\n")
        for line in lines:
            if line.strip():
                self._post(Answer(line.decode("utf-8", "replace").strip()))


def _descriptor() -> int | None:
    """Standard input, if there is one, and it is ours to read."""
    try:
        descriptor = sys.stdin.fileno()
        if os.isatty(descriptor) and os.tcgetpgrp(descriptor) != os.getpgrp():
            return None  # in the background: a read would stop this process
    except (OSError, ValueError, AttributeError):
        return None
    return descriptor


@contextmanager
def key_by_key() -> Iterator[None]:
    """While inside, a terminal gives its keys one by one and does not echo them."""
    descriptor = _descriptor()
    if descriptor is None or not os.isatty(descriptor):
        yield
        return
    import termios

    before = termios.tcgetattr(descriptor)
    now = termios.tcgetattr(descriptor)
    now[3] &= ~(termios.ICANON | termios.ECHO)
    now[6][termios.VMIN], now[6][termios.VTIME] = 1, 0
    termios.tcsetattr(descriptor, termios.TCSANOW, now)
    try:
        yield
    finally:
        try:
            termios.tcsetattr(descriptor, termios.TCSANOW, before)  # a halted terminal never drains
        except termios.error:
            return  # the terminal is gone
