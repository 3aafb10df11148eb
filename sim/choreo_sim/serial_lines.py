"""
Frames as lines of the serial line, and back: the text form of serial-line CAN adapters.

    tIIILDD..  TIIIIIIIILDD..  data frame, 11 and 29 bits   rIIIL  RIIIIIIIIL  remote frame, 11 and 29 bits

Identifier, length and data are hexadecimal figures; the carriage return at the end is not part of the line here.
"""

import re

from choreo.frame import Frame

_FRAME = re.compile(rb"(?:([tr])([0-7][0-9A-Fa-f]{2})|([TR])([01][0-9A-Fa-f]{7}))([0-8])((?:[0-9A-Fa-f]{2})*)")


def frame_of_line(line: bytes) -> Frame | None:
    """The frame that a line says, None when it says none. The length that a remote frame asks for is not kept."""
    found = _FRAME.fullmatch(line)
    if found is None:
        return None
    base, base_id, extended, extended_id, length, data = found.groups()
    remote = (base or extended) in (b"r", b"R")
    if len(data) != (0 if remote else 2 * int(length)):
        return None
    return Frame(int(base_id or extended_id, 16), bytes.fromhex(data.decode()), extended is not None, remote)


def line_of_frame(frame: Frame) -> bytes:
    """The line that says this frame."""
    code = ("R" if frame.extended else "r") if frame.remote else ("T" if frame.extended else "t")
    identifier = f"{frame.id:08X}" if frame.extended else f"{frame.id:03X}"
    return f"{code}{identifier}{len(frame.data)}{frame.data.hex().upper()}".encode()
