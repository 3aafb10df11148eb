"""
How many frames of a described dialect are encoded and decoded in a second, against cantools on the same layouts.

    python -m tests.benchmarks codec

Both pack and unpack the same values with the same bits; scaling and names of values are switched off in cantools, and
its checks of ranges are on, as ours are. Best of five turns each, in seconds of processor time. The ratios say
something about this machine at this moment only; nothing is asserted of them (aim: 1 or more). Checksums, BCD and the
other things that cantools cannot express are timed alone.
"""

import time
from collections.abc import Callable, Mapping
from typing import NamedTuple

from cantools.database.can import Message, Signal

from choreo.frame import Frame
from choreo.wire.described import shipped
from choreo.wire.described.frames.checksums import Crc
from choreo.wire.described.frames.fields import Bits, Checksum, Constant, Number, Rolling
from choreo.wire.described.frames.kinds import Linear, kind_of
from choreo.wire.described.frames.layout import Layout

ROUNDS = 20_000
TURNS = 5


class Case(NamedTuple):
    """A payload of ours, the same for cantools, and values."""

    layout: Layout
    signals: list[Signal]
    values: Mapping[str, int]


def load_in(order: str) -> Case:
    """A loaded move: a constant, a target of 32 bits, a speed of 16, whole bytes."""
    parts = (Constant(0x42), Number("target", Linear("signed", 32)), Number("speed", Linear("unsigned", 16)))
    little = order == "little"
    words = "little_endian" if little else "big_endian"
    signals = [
        Signal("constant", 0 if little else 7, 8, words),
        Signal("target", 8 if little else 15, 32, words, is_signed=True),
        Signal("speed", 40 if little else 47, 16, words),
    ]
    layout = Layout(parts, "little" if little else "big")
    return Case(layout, signals, {"target": -100_000, "speed": 240})


def status() -> Case:
    """A status: a constant, eight named bits, a code."""
    names = ["enabled", "moving", "homed", "loaded", "brake", "arrived", "spare", "other"]
    parts = (Constant(0x93), Bits(tuple(names)), Number("fault", Linear("unsigned", 8)))
    signals = [
        Signal("constant", 0, 8),
        *(Signal(name, 8 + place, 1) for place, name in enumerate(names)),
        Signal("fault", 16, 8),
    ]
    return Case(Layout(parts), signals, {**{name: place % 2 for place, name in enumerate(names)}, "fault": 5})


CASES = {
    "a load, little-endian": load_in("little"),
    "a load, big-endian": load_in("big"),
    "a status with single bits": status(),
}

ALONE = {
    "with a CRC and a counter": (
        Layout(
            (
                Constant(2, 5),
                Rolling(3),
                Number("position", Linear("signed", 24)),
                Checksum(Crc(8, 0x1D, 0xFF, False, 0xFF)),
            ),
            "big",
        ),
        {"rolling": 5, "position": -2},
    ),
    "in BCD": (Layout((Constant(9), Number("edge", kind_of("signed_bcd", 32)))), {"edge": -39322}),
}


def seconds(call: Callable[[], object]) -> float:
    """Seconds of processor time for one call: the best of a few turns."""
    best = float("inf")
    for _ in range(TURNS):
        begun = time.process_time()
        for _ in range(ROUNDS):
            call()
        best = min(best, time.process_time() - begun)
    return best / ROUNDS


def compare(name: str, case: Case) -> None:
    """Print how we stand to cantools, after a look that both say the same."""
    layout, signals, values = case
    message = Message(0x14B, "frame", layout.size, signals)
    theirs = {"constant": layout.selector, **values}
    data = layout.encode(values)
    if data != message.encode(theirs, scaling=False) or message.decode(data, scaling=False) != theirs:
        raise RuntimeError(f"{name}: cantools does not say the same")
    ours = seconds(lambda: layout.encode(values)), seconds(lambda: layout.decode(data))
    other = (
        seconds(lambda: message.encode(theirs, scaling=False)),
        seconds(lambda: message.decode(data, decode_choices=False, scaling=False)),
    )
    for what, mine, its in zip(("encoded", "decoded"), ours, other, strict=True):
        print(f"{name}, {what}: {its / mine:.1f} times as fast as cantools, {1 / mine:,.0f} a second")


def alone(name: str, layout: Layout, values: Mapping[str, int]) -> None:
    """Print how fast a payload is that cantools does not have."""
    data = layout.encode(values)
    encode, decode = seconds(lambda: layout.encode(values)), seconds(lambda: layout.decode(data))
    print(f"{name}, alone: {1 / encode:,.0f} encoded and {1 / decode:,.0f} decoded a second")


def main() -> None:
    """Print one line a figure."""
    for name, case in CASES.items():
        compare(name, case)
    for name, (layout, values) in ALONE.items():
        alone(name, layout, values)
    dialect = shipped("short_frame")
    reply, read = Frame(0x12B, bytes.fromhex("92 60 79 FE FF")), dialect.position_reader(11)
    whole, quick = seconds(lambda: dialect.decode(reply)), seconds(lambda: read(reply.data))
    print(f"a whole frame of a dialect, found and decoded: {1 / whole:,.0f} a second")
    print(f"a polled position by its quick reader: {1 / quick:,.0f} a second, {whole / quick:.1f} times as fast")


if __name__ == "__main__":
    main()
