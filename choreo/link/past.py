"""
The way past python-can: the descriptor of an open bus and how a frame is written to it, byte by byte, for a process
that shares the descriptor and nothing else.

`SerialLine` is the ASCII line protocol that python-can's `slcan` interface speaks; `KernelFrame` is `struct can_frame`
of linux/can.h. Both are checked in the tests against what python-can itself writes.
"""

import struct
from typing import Protocol

from choreo.frame import Frame


class Written(Protocol):
    """How a frame is written. `opening` comes first of all, whatever was left half-written before."""

    opening: bytes

    def __call__(self, frame: Frame) -> bytes:
        """The bytes of a frame."""
        ...


class SerialLine:
    """One line a frame. The opening ends a line that was broken off; by itself it is an empty line, for nothing."""

    opening = b"\r"

    def __call__(self, frame: Frame) -> bytes:
        """The line of a frame."""
        code = ("R" if frame.extended else "r") if frame.remote else ("T" if frame.extended else "t")
        identifier = f"{frame.id:08X}" if frame.extended else f"{frame.id:03X}"
        return f"{code}{identifier}{len(frame.data)}{frame.data.hex().upper()}\r".encode()


class KernelFrame:
    """What a raw socket of the kernel takes: identifier with flags, length, padding, eight bytes of data."""

    opening = b""
    _EXTENDED = 0x80000000
    _REMOTE = 0x40000000

    def __call__(self, frame: Frame) -> bytes:
        """The structure of a frame."""
        identifier = frame.id | (self._EXTENDED if frame.extended else 0) | (self._REMOTE if frame.remote else 0)
        return struct.pack("=IB3x8s", identifier, len(frame.data), frame.data)


#: By interface. Each writes whole frames to a descriptor that another process may share.
WRITTEN: dict[str, Written] = {"slcan": SerialLine(), "socketcan": KernelFrame()}

#: The descriptor, and how a frame is written to it.
WayPast = tuple[int, Written]


def way_past(interface: str, descriptor: int | None, platform: str) -> WayPast | str:
    """
    The descriptor and how a frame is written to it; or in words why nobody else can send through this adapter.
    `platform` is `sys.platform`'s word.
    """
    written = WRITTEN.get(interface)
    if written is None:
        named = f"the interface {interface}" if interface else "this bus"
        return (
            f"{named} gives no way for another process to send through it; those that do are "
            f"{' and '.join(sorted(WRITTEN))}"
        )
    if platform == "win32":
        return "on this system no other process can share the adapter's descriptor"
    if descriptor is None:
        return "the adapter has no descriptor that another process could share"
    return descriptor, written
