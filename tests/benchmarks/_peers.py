"""
Who answers in the benchmarks of the live path: a thread on python-can's `virtual` bus, a process with nothing but a
pseudo-terminal, and `choreo sim`.

    python -m tests.benchmarks._peers      the process: prints its port and answers until its input ends

The first two answer at once, so that what they show is the host's own cost; the simulated drives take their time, and
their bus its bits.
"""

import os
import select
import subprocess
import sys
import threading
import tty
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import can

from choreo.frame import Frame

NODES = (11, 12, 13, 14)
REQUEST, REPLY = 0x140, 0x120
ASK = b"\x12"
ANSWER = b"\x92\x40\xe2\x01\x00"  # 123,456 counts
BIT_RATE = 1_000_000

#: Four axes on a bus of 1 Mbit/s.
MACHINE = """\
choreo: 1
title: Four axes that are only read
bus: {bit_rate: 1 Mbit/s, length: 4 m, poll: 50 Hz}
axes:
  first:
    node: 11
    dialect: short_frame
    unit: mm
    scale: {counts_per_motor_rev: 65536, gear: {motor: 3, output: 1}, travel_per_output_rev: 10 mm}
  second: {like: first, node: 12}
  third: {like: first, node: 13}
  fourth: {like: first, node: 14}
limits:
  all: {travel: [0 mm, 400 mm], speed: 100 mm/s, acceleration: 400 mm/s^2, jerk: 4000 mm/s^3,
        quick_stop: 1000 mm/s^2, tracking: 2 mm}
unhomed:
  all: {speed: 40 mm/s, distance: 60 mm}
steps:
  - dwell: 1 s
"""


def exchange(node: int) -> tuple[Frame, Frame]:
    """A poll of a node and its reply."""
    return Frame(REQUEST + node, ASK), Frame(REPLY + node, ANSWER)


@contextmanager
def on_virtual() -> Iterator[str]:
    """A channel of python-can's `virtual` bus, which never leaves its process, and a thread that answers on it."""
    channel, ends = f"benchmark {os.getpid()}", threading.Event()
    bus = can.Bus(interface="virtual", channel=channel)

    def answer() -> None:
        while not ends.is_set():
            message = bus.recv(0.05)
            if message is not None and message.arbitration_id - REQUEST in NODES:
                reply = REPLY - REQUEST + message.arbitration_id
                bus.send(can.Message(arbitration_id=reply, data=ANSWER, is_extended_id=False, check=False))

    thread = threading.Thread(target=answer, daemon=True)
    thread.start()
    try:
        yield f"virtual:{channel}"
    finally:
        ends.set()
        thread.join()
        bus.shutdown()


@contextmanager
def on_pty() -> Iterator[str]:
    """A pseudo-terminal whose other end is a process that answers at once."""
    with _process("-m", "tests.benchmarks._peers") as process:
        assert process.stdout is not None
        yield f"slcan:{process.stdout.readline().strip()}"


@contextmanager
def on_sim(folder: Path) -> Iterator[str]:
    """`choreo sim` with four drives."""
    machine = folder / "machine.yaml"
    machine.write_text(MACHINE, encoding="utf-8")
    with _process("-m", "choreo", "sim", str(machine)) as process:
        assert process.stdout is not None
        bus = ""
        for line in process.stdout:
            if line.startswith("--bus "):
                bus = line.split()[1]
            if "it runs now" in line:
                break
        yield bus


@contextmanager
def _process(*words: str) -> Iterator["subprocess.Popen[str]"]:
    with subprocess.Popen(
        [sys.executable, *words], stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
    ) as process:
        try:
            yield process
        finally:
            process.kill()


def answer_on_pty() -> None:
    """Print the port's name, then answer each line in it until standard input ends."""
    master, other = os.openpty()
    tty.setraw(other)
    print(os.ttyname(other), flush=True)
    replies = {
        f"t{REQUEST + node:03X}1{ASK.hex().upper()}".encode(): f"t{REPLY + node:03X}5{ANSWER.hex().upper()}\r".encode()
        for node in NODES
    }
    rest = b""
    while True:
        readable, _, _ = select.select([master, sys.stdin], [], [])
        if sys.stdin in readable:
            return
        *lines, rest = (rest + os.read(master, 4096)).split(b"\r")
        os.write(master, b"".join(b"\r" + replies.get(line, b"") for line in lines))


if __name__ == "__main__":
    answer_on_pty()
