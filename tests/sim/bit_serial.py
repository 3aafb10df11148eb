"""
A CAN frame bit by bit, as text: the slow second method for lengths and positions on the wire.

Written straight from facts.md A1 to A3 (ISO 11898-1) and shares nothing with the simulator's tables.
"""

import re

from choreo.frame import Frame


def unstuffed(frame: Frame) -> str:
    """Start of frame to the last data bit."""
    if frame.extended:
        identifier = f"{frame.id:029b}"
        head = "0" + identifier[:11] + "1" + "1" + identifier[11:] + ("1" if frame.remote else "0") + "00"
    else:
        head = "0" + f"{frame.id:011b}" + ("1" if frame.remote else "0") + "0" + "0"
    return head + f"{len(frame.data):04b}" + "".join(f"{byte:08b}" for byte in frame.data)


def crc(bits: str) -> str:
    """The fifteen bits of the CRC sequence, by shift register."""
    register = [0] * 15
    for bit in bits:
        feedback = int(bit) ^ register[0]
        register = [*register[1:], 0]
        for power in (14, 10, 8, 7, 4, 3, 0):
            register[14 - power] ^= feedback
    return "".join(map(str, register))


def stuffed(bits: str) -> str:
    """With a complementary bit after every five equal ones."""
    wire = ""
    for bit in bits:
        wire += bit
        if len(wire) >= 5 and len(set(wire[-5:])) == 1:
            wire += "1" if bit == "0" else "0"
    return wire


def stuffed_by_pattern(bits: str) -> str:
    """The same by regular expression, from left to right; each inserted bit opens the next run."""
    done = ""
    while run := re.search(r"00000|11111", bits):
        inserted = "1" if run.group()[0] == "0" else "0"
        done += bits[: run.end()]
        bits = inserted + bits[run.end() :]
    return done + bits


def wire(frame: Frame) -> str:
    """Start of frame to the end of the intermission, with an acknowledged ACK slot."""
    bits = unstuffed(frame)
    return stuffed(bits + crc(bits)) + "1" + "0" + "1" + "1" * 7 + "1" * 3
