"""
The modes of a terminal whose keyboard another process reads key by key.

When that process is killed, nobody sets them back: typed characters would stay invisible. So the screen does, but only
when they still are as they were while the other lived. A shell that has taken over by then has set its own.
"""

import sys
from contextlib import suppress
from typing import Any

if sys.platform != "win32":
    import termios


class Modes:
    """Of the terminal behind a descriptor. What it does not let itself be asked is left alone."""

    def __init__(self, fd: int) -> None:
        self._fd = fd
        self._last: list[Any] | None = None

    def remember(self) -> None:
        """How they are now, while the other process lives."""
        self._last = self._now()

    def quiet(self) -> None:
        """From now on typed characters are not shown, and how it was is remembered."""
        now = self._last = self._now()
        if sys.platform != "win32" and now is not None:
            with suppress(OSError, termios.error):
                termios.tcsetattr(self._fd, termios.TCSANOW, [*now[:3], now[3] & ~termios.ECHO, *now[4:]])

    def put_back(self) -> None:
        """As they were remembered."""
        if sys.platform != "win32" and self._last is not None:
            with suppress(OSError, termios.error):
                termios.tcsetattr(self._fd, termios.TCSANOW, self._last)

    def restore(self) -> None:
        """Lines, echo and signals again, if nobody has changed anything since."""
        now = self._now()
        if sys.platform == "win32" or now is None or now != self._last:
            return
        now[3] |= termios.ICANON | termios.ECHO | termios.ISIG | termios.IEXTEN
        with suppress(OSError, termios.error):
            termios.tcsetattr(self._fd, termios.TCSANOW, now)

    def _now(self) -> list[Any] | None:
        if sys.platform != "win32":
            with suppress(OSError, termios.error):
                return list(termios.tcgetattr(self._fd))
        return None
