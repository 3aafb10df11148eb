"""One CAN frame. A type of our own, so that nothing but the live link needs python-can."""

import re
from typing import NamedTuple

#: Data bytes of a classical frame (facts.md A1; ISO 11898-1).
MOST_BYTES = 8

_TEXT = re.compile(r"([0-9A-F]{3}|[0-9A-F]{8})#(R|(?:[0-9A-F]{2}(?:\.?[0-9A-F]{2})*)?)", re.IGNORECASE | re.ASCII)


class Frame(NamedTuple):
    """
    A classical CAN frame (ISO 11898-1).

    `id` is the identifier (11 bits, or 29 when `extended`), `data` 0 to 8 bytes. A `remote` frame has no data. `t_ns`
    is the link's time of arrival, in nanoseconds; 0 on a frame that is still to be sent.
    """

    id: int
    data: bytes = b""
    extended: bool = False
    remote: bool = False
    t_ns: int = 0

    def same_bits(self, other: "Frame") -> bool:
        """Whether the two would look alike on the wire; the time of arrival does not count."""
        return self[:4] == other[:4]

    def text(self) -> str:
        """`0CB#21.00.F0` : identifier, then the data bytes, all hexadecimal."""
        identifier = f"{self.id:08X}" if self.extended else f"{self.id:03X}"
        return f"{identifier}#{'R' if self.remote else self.data.hex('.').upper()}"


def frame_of(text: str) -> Frame:
    """
    The frame that `text` says in the form of `Frame.text`: three figures of identifier for 11 bits, eight for 29; the
    dots between bytes may be left out, small letters may stand for capital ones.

    Raises ValueError saying what is wrong and what a frame looks like.
    """
    found = _TEXT.fullmatch(text.strip())
    if found is None:
        raise ValueError(f"{text[:60]!r} is no frame; one looks like 14B#12.00.F0, or 180B4D01#12 with 29 bits")
    number, rest = int(found[1], 16), found[2]
    extended, remote = len(found[1]) == 8, rest in ("R", "r")
    data = b"" if remote else bytes.fromhex(rest.replace(".", ""))
    most = (1 << (29 if extended else 11)) - 1
    if number > most:
        raise ValueError(f"identifier {number:#x} is beyond {most:#x}, the last of {29 if extended else 11} bits")
    if len(data) > MOST_BYTES:
        raise ValueError(f"{text[:60]!r} has {len(data)} data bytes, and a CAN frame carries at most {MOST_BYTES}")
    return Frame(number, data, extended, remote)
