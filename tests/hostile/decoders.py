"""Every decoder of frames and of lines that hold frames, and what may come of each."""

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from fractions import Fraction
from io import StringIO
from pathlib import Path
from random import Random
from typing import NamedTuple

from choreo.cli.frames import Speaker
from choreo.cli.manual.frame_page import frame_page
from choreo.cli.manual.meaning import AxisScale
from choreo.errors import RecipeError
from choreo.frame import Frame, frame_of
from choreo.journal import read_journal
from choreo.link.trace import read_trace
from choreo.wire.cia402 import CIA402, power_state
from choreo.wire.cia402.emcy import error_text, read_emergency
from choreo.wire.cia402.pdo import POSITION_SAMPLE
from choreo.wire.cia402.sdo import read_answer
from choreo.wire.described import DescribedDialect, load_dialect, shipped, shipped_file, shipped_names
from choreo_sim.bus import Bus
from choreo_sim.cia402_node import Cia402Node
from choreo_sim.dialect_reader import read_dialect
from choreo_sim.kernel import Kernel
from choreo_sim.realtime import RealTime
from choreo_sim.serial_adapter import SerialAdapter
from hostile.frames import Say, any_frame, nearly
from hostile.texts import ROOT, under_recipes
from sim.bench import MS, Bench

FILES = (
    *(shipped_file(name) for name in shipped_names()),
    ROOT / "tests" / "drive" / "terse.yaml",
    *under_recipes("choreo_dialect"),
)
DIALECTS = tuple(load_dialect(path) for path in FILES)


class Decoder(NamedTuple):
    """A decoder, opened once, that is given one random thing after the other and judges what comes of it."""

    name: str
    open: Callable[[Path], "Iterator[Callable[[Random], None]]"]


def sound_frames(dialect: DescribedDialect) -> list[Say]:
    """One maker for each frame that the dialect has, with values at random within their ranges."""

    def maker(encode: Callable[..., Frame], name: str | None, shape) -> Say:
        def make(chance: Random) -> Frame:
            low, high = dialect.node_range
            broadcast = shape.broadcast == "only" or (shape.broadcast == "allowed" and chance.random() < 0.5)
            node = None if broadcast else chance.randint(low, high)
            ranges = shape.layout.ranges
            values = {field: chance.choice((*bounds, chance.randint(*bounds))) for field, bounds in ranges.items()}
            return encode(*([name] if name else []), node, **values)

        return make

    made = [maker(dialect.encode, name, shape) for name, shape in dialect.frames.requests.items()]
    made += [maker(dialect.encode_reply, name, shape) for name, shape in dialect.frames.replies.items()]
    made += [maker(dialect.encode_event, name, shape) for name, shape in dialect.frames.events.items()]
    if dialect.frames.error_reply is not None:
        made.append(maker(dialect.encode_error, None, dialect.frames.error_reply))
    return made


def _encoder(dialect: DescribedDialect, decoded) -> Callable[..., Frame]:
    if not decoded.from_drive:
        return lambda **values: dialect.encode(decoded.message, decoded.node, **values)
    if decoded.message == "error_reply":
        return lambda **values: dialect.encode_error(decoded.node, **values)
    if decoded.message in dialect.frames.replies:
        return lambda **values: dialect.encode_reply(decoded.message, decoded.node, **values)
    return lambda **values: dialect.encode_event(decoded.message, decoded.node, **values)


def _described(dialect: DescribedDialect) -> Callable[[Path], Iterator[Callable[[Random], None]]]:
    @contextmanager
    def opened(_: Path) -> Iterator[Callable[[Random], None]]:
        sound = sound_frames(dialect)
        low, high = dialect.node_range

        def take(chance: Random) -> None:
            frame = nearly(chance.choice(sound)(chance), chance) if chance.random() < 0.7 else any_frame(chance)
            decoded = dialect.decode(frame)
            if decoded is None:
                return
            assert decoded.node is None or low <= decoded.node <= high, frame.text()
            # What is taken apart can be put together, and says the same again; ignored bits may be others.
            again = _encoder(dialect, decoded)(**decoded.values)
            assert dialect.decode(again) == decoded, frame.text()

        yield take

    return opened


def _in_words(dialect: DescribedDialect) -> Callable[[Path], Iterator[Callable[[Random], None]]]:
    """Any frame can be taken apart in words, and what is none of the dialect's is told from what is."""

    @contextmanager
    def opened(_: Path) -> Iterator[Callable[[Random], None]]:
        sound = sound_frames(dialect)
        axes = {dialect.node_range[0]: AxisScale("table", "deg", Fraction(-5000, 3))}

        def take(chance: Random) -> None:
            frame = nearly(chance.choice(sound)(chance), chance) if chance.random() < 0.8 else any_frame(chance)
            page = list(frame_page(Speaker(dialect, axes), frame, 100))
            assert all(len(line) <= 100 for line in page), page
            assert page[0].startswith(frame.text())
            assert frame_of(frame.text()).same_bits(frame)
            told = " ".join(page)
            assert ("is none of" in told) is (dialect.decode(frame) is None)
            assert "wrong:" not in told  # a frame whose checksum is wrong is none

        yield take

    return opened


@contextmanager
def _cia402(_: Path) -> Iterator[Callable[[Random], None]]:
    bases = (0x080, 0x180, 0x580, 0x600, 0x700)

    def take(chance: Random) -> None:
        frame = any_frame(chance)
        if chance.random() < 0.7:
            frame = frame._replace(id=chance.choice(bases) + chance.randrange(128), extended=False)
        decoded = CIA402.decode(frame)
        if decoded is not None:
            assert 1 <= (decoded.node or 0) <= 127
        read_answer(frame.data)
        read_emergency(frame.data)
        sample = POSITION_SAMPLE.decode(frame.data)
        assert power_state(sample[0] if sample else frame.id & 0xFFFF)
        assert error_text(frame.id & 0xFFFF)

    yield take


def _both_readings(path: Path) -> Callable[[Path], Iterator[Callable[[Random], None]]]:
    """The simulated drive's reading of a dialect beside choreo's: written apart, they say the same of every frame."""

    @contextmanager
    def opened(_: Path) -> Iterator[Callable[[Random], None]]:
        dialect, theirs = load_dialect(path), read_dialect(path)
        sound = sound_frames(dialect)

        def take(chance: Random) -> None:
            frame = nearly(chance.choice(sound)(chance), chance) if chance.random() < 0.7 else any_frame(chance)
            found = dialect.find(frame)
            other = theirs.request_of(frame) or theirs.reply_of(frame) or theirs.event_of(frame)
            if found is None:
                # A drive looks at what a frame says, and only then at whether it may be said to it.
                assert other is None or not _may_go(dialect, other), (frame.text(), other[1:])
                return
            assert other is not None, frame.text()
            node = dialect.frames.addressing.broadcast if found.node is None else found.node
            name = other[0] if isinstance(other[0], str) else other[0].name
            assert (found.shape.message.split(".")[0], node, found.values) == (name, *other[1:]), frame.text()

        yield take

    return opened


def _may_go(dialect: DescribedDialect, other) -> bool:
    """Whether a request may go to this node, or to all of them."""
    if isinstance(other[0], str):
        return True
    (shape, *_) = (dialect.frames.requests[part] for part in dialect.frames.parts(other[0].name))
    return shape.broadcast != ("never" if other[1] == dialect.frames.addressing.broadcast else "only")


@contextmanager
def _simulated_drive(_: Path) -> Iterator[Callable[[Random], None]]:
    """A drive on the bus hears anything, and still answers when it is asked for its position."""
    bench = Bench()
    sound = sound_frames(shipped("short_frame"))
    heard = 0

    def take(chance: Random) -> None:
        nonlocal heard
        frame = nearly(chance.choice(sound)(chance), chance) if chance.random() < 0.8 else any_frame(chance)
        bench.host.send(frame)
        bench.wait(chance.choice((MS // 10, MS, 20 * MS)))
        heard += 1
        if heard % 100 == 0:
            bench.wait(20 * MS)
            assert bench.ask("12").startswith("92"), frame.text()
            bench.heard.clear()

    yield take


@contextmanager
def _simulated_402(_: Path) -> Iterator[Callable[[Random], None]]:
    kernel = Kernel()
    bus = Bus(kernel, 500_000)
    node = Cia402Node(kernel, bus, 5, lambda t_ns: 1000)
    heard: list[Frame] = []
    host = bus.attach("host", lambda frame, t_ns: heard.append(frame))

    def take(chance: Random) -> None:
        frame = any_frame(chance)
        if chance.random() < 0.8:
            frame = frame._replace(id=chance.choice((0x000, 0x605)), extended=False)
        host.send(frame)
        kernel.run_until(kernel.now_ns + MS)
        if len(heard) > 1000:
            heard.clear()
            host.send(Frame(0x000, b"\x80\x05"))
            host.send(Frame(0x605, bytes.fromhex("4064600000000000")))
            kernel.run_until(kernel.now_ns + 10 * MS)
            assert any(answer.id == 0x585 and answer.data[:4].hex() == "43646000" for answer in heard)
        assert node.node_id == 5

    yield take


@contextmanager
def _serial_lines(_: Path) -> Iterator[Callable[[Random], None]]:
    """Whatever the host writes, the adapter answers each line with yes or no and understands the next."""
    kernel = Kernel()
    bus = Bus(kernel, 500_000)
    bus.attach("peer", lambda frame, t_ns: None)
    realtime = RealTime(kernel)
    adapter = SerialAdapter(realtime, bus)
    slave = os.open(adapter.port, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    pieces = (
        b"t14B112",
        b"T01ABCDEF201FF",
        b"r1230",
        b"O",
        b"C",
        b"L",
        b"S6",
        b"S9",
        b"V",
        b"F",
        b"\r",
        b"\xff",
        b"Z0",
    )

    def take(chance: Random) -> None:
        line = b"".join(chance.choice(pieces) for _ in range(chance.randrange(4)))
        if chance.random() < 0.5:
            line += chance.randbytes(chance.randrange(80))
        os.write(slave, line + b"\r")
        adapter._read()
        kernel.run_until(kernel.now_ns + 2 * MS)
        answer = os.read(slave, 1 << 16)
        assert answer
        assert answer[-1:] in (b"\r", b"\a")

    try:
        yield take
    finally:
        os.close(slave)
        adapter.close()
        realtime.close()


def _judge(refused: RecipeError, place: str) -> None:
    assert refused.headline.startswith(place)
    assert "\n" not in refused.headline
    assert "Error" not in refused.headline
    assert len(refused.headline) < 500


@contextmanager
def _trace_lines(_: Path) -> Iterator[Callable[[Random], None]]:
    sound = "(12.000345) can0 14B#12.00 T|(0.1)  can0  1ABCDEF0#R8 R|(1.000000) vcan1 123##1AA|(2.0) can0 20000080#00"

    def take(chance: Random) -> None:
        line = chance.choice(sound.split("|")).replace(".00 ", "00 ")
        for _ in range(chance.choice((0, 1, 1, 3))):
            at = chance.randrange(len(line) + 1)
            piece = chance.choice(("", "(", ")", "#", ".", "0", "9" * 5000, "F", " ", "\x00", "٣", "R", "-", "\ud800"))
            line = line[:at] + piece + line[at + chance.randrange(3) :]
        try:
            for read in read_trace(StringIO(line + chance.choice(("\n", "", "\r\n"))), "bus.log"):
                assert read.frame is not None or read.note
        except RecipeError as refused:
            _judge(refused, "bus.log:1: ")

    yield take


@contextmanager
def _journals(folder: Path) -> Iterator[Callable[[Random], None]]:
    """A journal with a few of its characters, lines or values changed."""
    golden = (ROOT / "tests" / "golden" / "journal_v1.jsonl").read_text(encoding="utf-8")
    values = ("0", "-1", "null", "[]", "{}", '""', "true", "1e999", "NaN", "9" * 400, "9" * 5000, '"1/0"', '"x"', "[[[")
    path = folder / "journal.jsonl"

    def take(chance: Random) -> None:
        text = golden
        for _ in range(chance.choice((1, 1, 2, 4))):
            at = chance.randrange(len(text) + 1)
            colon = text.find(":", at)
            if colon >= 0 and chance.random() < 0.6:
                end = min((e for e in (text.find(c, colon) for c in ",}\n") if e > 0), default=len(text))
                text = text[: colon + 1] + chance.choice(values) + text[end:]
            else:
                text = text[:at] + chance.choice(('"', "{", "[", "\n", "\x00", "\\", *values)) + text[at + 1 :]
        path.write_text(text, encoding="utf-8")
        try:
            journal = read_journal(path)
        except RecipeError as refused:
            _judge(refused, "")
            return
        assert journal.run.kind == "run"

    yield take


DECODERS = (
    *(Decoder(f"described {dialect.name}", _described(dialect)) for dialect in DIALECTS),
    *(Decoder(f"{dialect.name} in words", _in_words(dialect)) for dialect in DIALECTS),
    Decoder("cia402", _cia402),
    *(Decoder(f"both readings of {path.stem}", _both_readings(path)) for path in FILES),
    Decoder("simulated drive", _simulated_drive),
    Decoder("simulated cia402 node", _simulated_402),
    Decoder("serial adapter", _serial_lines),
    Decoder("trace", _trace_lines),
    Decoder("journal", _journals),
)
