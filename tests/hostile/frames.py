"""Frames at random: any at all, and those that are nearly one of a dialect's."""

from collections.abc import Callable
from random import Random

from choreo.frame import Frame

#: Bytes that stand out: no bits, all bits, the sign, digits that BCD does not have, commands.
BYTES = (0x00, 0x01, 0x7F, 0x80, 0xFE, 0xFF, 0x9A, 0xAA, 0x12, 0x51, 0x61)

Say = Callable[[Random], Frame]


def any_frame(chance: Random) -> Frame:
    """No dialect in mind."""
    extended = chance.random() < 0.5
    remote = chance.random() < 0.05
    identifier = chance.randrange(1 << (29 if extended else 11))
    return Frame(identifier, b"" if remote else payload(chance), extended, remote)


def payload(chance: Random) -> bytes:
    """0 to 8 bytes."""
    size = chance.randrange(9)
    if chance.random() < 0.5:
        return chance.randbytes(size)
    return bytes(chance.choice(BYTES) for _ in range(size))


def nearly(frame: Frame, chance: Random) -> Frame:
    """A sound frame with a bit, a byte, its length or its identifier changed; now and then itself."""
    identifier, data, extended, remote, _ = frame
    match chance.randrange(7):
        case 0:
            identifier ^= 1 << chance.randrange(29 if extended else 11)
        case 1:
            data = data[: chance.randrange(len(data) + 1)]
        case 2 if len(data) < 8:
            data += bytes([chance.choice(BYTES)])
        case 3 if data:
            at = chance.randrange(len(data))
            data = data[:at] + bytes([data[at] ^ 1 << chance.randrange(8)]) + data[at + 1 :]
        case 4 if data:
            at = chance.randrange(len(data))
            data = data[:at] + bytes([chance.choice(BYTES)]) + data[at + 1 :]
        case 5:
            data = payload(chance)
    return Frame(identifier, data, extended, remote)
