"""One CAN frame. A type of our own, so that nothing but the live link needs python-can."""

from typing import NamedTuple


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
