"""
Reading a serial-line adapter in one go.

python-can's driver takes byte by byte what its port holds, a system call and a timer each, and comes back from every
answer to a frame that was sent. Half of a session's time went there. Here everything that has come is taken at once;
what its lines mean is still the driver's own business, and so is the line that it reads itself while it opens.
"""

import re
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from can import BusABC

#: A carriage return ends a line, and a bell is the answer no.
_LINE = re.compile(rb"[^\r\a]*[\r\a]")
_BEGINS = re.compile(rb"[tTrR]")
_FRAME = re.compile(rb"(?:[tr][0-7][0-9A-Fa-f]{2}|[TR][01][0-9A-Fa-f]{7})([0-8])((?:[0-9A-Fa-f]{2})*)\r")
#: What the driver must have for this, besides its own `_read`.
NEEDED = ("serialPortOrig", "_buffer", "_queue", "_read")


def read_in_one_go(bus: "BusABC") -> bool:
    """Let an open `slcan` bus of python-can's read so from now on; False, and nothing changed, where it is another."""
    if not all(hasattr(bus, name) for name in NEEDED):
        return False
    driver: Any = bus

    def read(timeout: float | None) -> str | None:
        """In place of the driver's own: the next line that says something; the others wait in its queue."""
        del timeout  # the session waits by itself, for the descriptor
        from can.exceptions import error_check

        port = driver.serialPortOrig
        with error_check("Could not read from serial device"):
            driver._buffer += port.read(max(1, port.in_waiting))
        lines = whole_lines(driver._buffer)
        for line in lines[1:]:
            driver._queue.put_nowait(line)
        return lines[0] if lines else None

    driver._read = read
    return True


def whole_lines(buffer: bytearray) -> list[str]:
    """
    Take the whole lines out of `buffer`, with their ends, but for those that are nothing but a yes or a no. A line that
    begins like a frame and is none is noise: it is dropped, as a frame is whose check sum is wrong.
    """
    end = max(buffer.rfind(b"\r"), buffer.rfind(b"\a")) + 1
    lines = [line for line in _LINE.findall(bytes(buffer[:end])) if len(line) > 1]
    del buffer[:end]
    sound = [line for line in lines if line.isascii() and (_is_frame(line) or not _BEGINS.match(line))]
    return [line.decode("ascii") for line in sound]


def _is_frame(line: bytes) -> bool:
    """`tIIILDD..` or `TIIIIIIIILDD..`; r and R without data. An adapter may put four digits of time behind."""
    found = _FRAME.fullmatch(line)
    if found is None:
        return False
    data = 0 if line[:1] in b"rR" else 2 * int(found[1])
    return len(found[2]) in (data, data + 4)
