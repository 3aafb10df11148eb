"""EMCY: what a drive says unasked when it has an error (facts.md B6, C13; CiA 301, CiA 402)."""

from typing import NamedTuple

#: On 0x080 + node.
EMCY_BASE = 0x080

#: Single codes; `_CLASSES` has what the others belong to.
_CODES = {
    0x2310: "continuous overcurrent",
    0x3210: "DC link overvoltage",
    0x3220: "DC link undervoltage",
    0x4210: "excess temperature, device",
    0x4310: "excess temperature, drive",
    0x7121: "motor blocked",
    0x7305: "incremental sensor 1",
    0x8110: "CAN overrun",
    0x8120: "CAN error passive",
    0x8130: "guarding or heartbeat error",
    0x8140: "recovered from bus-off",
    0x8150: "CAN identifier collision",
    0x8210: "PDO too short",
    0x8220: "PDO too long",
    0x8240: "wrong SYNC length",
    0x8250: "RPDO timeout",
    0x8611: "following error",
    0x8612: "reference limit",
}
#: By the first byte, then by its first digit.
_CLASSES = {
    0x21: "current, input side",
    0x22: "current inside the device",
    0x23: "current, output side",
    0x31: "mains voltage",
    0x32: "voltage inside the device",
    0x33: "output voltage",
    0x41: "ambient temperature",
    0x42: "device temperature",
    0x61: "internal software",
    0x62: "user software",
    0x63: "data set",
    0x81: "communication",
    0x82: "protocol",
    0x10: "generic error",
    0x20: "current",
    0x30: "voltage",
    0x40: "temperature",
    0x50: "device hardware",
    0x60: "device software",
    0x70: "additional modules",
    0x80: "monitoring",
    0x90: "external error",
    0xF0: "additional functions or device specific",
}


class Emergency(NamedTuple):
    """An error as a drive reports it. Code 0 (00xx): the error is reset, or there is none."""

    code: int
    register: int
    manufacturer: bytes

    @property
    def is_reset(self) -> bool:
        """Whether it says that there is no error any more."""
        return self.code >> 8 == 0

    @property
    def text(self) -> str:
        """In words."""
        return error_text(self.code)


def error_text(code: int) -> str:
    """What an error code (of EMCY, or of object 0x603F) means: the code itself, or the class that it belongs to."""
    if code >> 8 == 0:
        return "no error"
    high = code >> 8
    return _CODES.get(code) or _CLASSES.get(high) or _CLASSES.get(high & 0xF0) or "an error of no known class"


def read_emergency(data: bytes) -> Emergency | None:
    """The eight bytes of an EMCY; None for another length. Never raises."""
    if len(data) != 8:
        return None
    return Emergency(int.from_bytes(data[:2], "little"), data[2], data[3:])
