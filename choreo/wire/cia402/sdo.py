"""
SDO, the confirmed reading of one object (facts.md B7 to B9; CiA 301): request, expedited answer, abort.

Every frame has eight bytes: command, index (little-endian), sub-index, four bytes of data.
"""

from dataclasses import dataclass

from choreo.frame import Frame

#: The client asks on 0x600 + node, the drive answers on 0x580 + node.
REQUEST_BASE = 0x600
ANSWER_BASE = 0x580

UPLOAD_REQUEST = 0x40
ABORT = 0x80

#: Expedited upload answers: the command says how many bytes of data there are.
_EXPEDITED = {0x4F: 1, 0x4B: 2, 0x47: 3, 0x43: 4}
#: The drive does not say how many; all four are there, and the object's own type decides.
_SIZE_NOT_INDICATED = 0x42
#: The answer would come in segments: it has more than four bytes.
_SEGMENTED = (0x40, 0x41)

#: What an abort code means, in our words.
ABORT_CODES: dict[int, str] = {
    0x0503_0000: "toggle bit did not alternate",
    0x0504_0000: "transfer timed out",
    0x0504_0001: "unknown or invalid command byte",
    0x0504_0002: "bad block size (block mode)",
    0x0504_0003: "bad sequence number (block mode)",
    0x0504_0004: "CRC mismatch (block mode)",
    0x0504_0005: "out of memory",
    0x0601_0000: "access not supported",
    0x0601_0001: "read of a write-only object",
    0x0601_0002: "write to a read-only object",
    0x0602_0000: "object not in the dictionary",
    0x0604_0041: "object cannot be mapped into a PDO",
    0x0604_0042: "mapped objects exceed PDO length",
    0x0604_0043: "parameters incompatible",
    0x0604_0047: "internal incompatibility in the device",
    0x0606_0000: "hardware error on access",
    0x0607_0010: "length does not match the type",
    0x0607_0012: "data too long for the type",
    0x0607_0013: "data too short for the type",
    0x0609_0011: "no such sub-index",
    0x0609_0030: "value not allowed or out of range",
    0x0609_0031: "value too high",
    0x0609_0032: "value too low",
    0x0609_0036: "maximum below minimum",
    0x060A_0023: "resource (SDO connection) not available",
    0x0800_0000: "general error",
    0x0800_0020: "data cannot be transferred or stored",
    0x0800_0021: "data cannot be transferred or stored because of local control",
    0x0800_0022: "data cannot be transferred or stored in the present device state",
    0x0800_0023: "dictionary could not be built or is missing",
    0x0800_0024: "no data available",
}


@dataclass(frozen=True, slots=True)
class UploadAnswer:
    """The value of an object. `size_known` is false where the drive did not say how many of the four bytes count."""

    index: int
    subindex: int
    data: bytes
    size_known: bool


@dataclass(frozen=True, slots=True)
class Segmented:
    """The drive wants to answer in segments."""

    index: int
    subindex: int


@dataclass(frozen=True, slots=True)
class Abort:
    """The drive, or a client, breaks off the transfer."""

    index: int
    subindex: int
    code: int

    @property
    def meaning(self) -> str:
        """In words; an unknown code says so."""
        return ABORT_CODES.get(self.code, "an abort code that CiA 301 does not define")


def upload_request(node: int, index: int, subindex: int) -> Frame:
    """Ask node 1 to 127 for an object. Raises ValueError naming what is out of range."""
    for name, value, low, high in (
        ("node", node, 1, 127),
        ("index", index, 0, 0xFFFF),
        ("sub-index", subindex, 0, 255),
    ):
        if not low <= value <= high:
            raise ValueError(f"{name} {value} is outside {low} to {high}")
    return Frame(REQUEST_BASE + node, bytes((UPLOAD_REQUEST, index & 0xFF, index >> 8, subindex, 0, 0, 0, 0)))


def expedited_head(index: int, subindex: int, size: int) -> bytes:
    """The first four bytes of an expedited answer with `size` (1 to 4) bytes of data."""
    command = next(command for command, its_size in _EXPEDITED.items() if its_size == size)
    return bytes((command, index & 0xFF, index >> 8, subindex))


def read_answer(data: bytes) -> UploadAnswer | Segmented | Abort | None:
    """What the eight bytes of an answer to an upload say; None for anything else. Never raises."""
    if len(data) != 8:
        return None
    command, index, subindex = data[0], data[1] | data[2] << 8, data[3]
    size = _EXPEDITED.get(command)
    if size is not None:
        return UploadAnswer(index, subindex, data[4 : 4 + size], True)
    if command == _SIZE_NOT_INDICATED:
        return UploadAnswer(index, subindex, data[4:8], False)
    if command == ABORT:
        return Abort(index, subindex, int.from_bytes(data[4:8], "little"))
    return Segmented(index, subindex) if command in _SEGMENTED else None
