"""
A small dialect of our own invention, in pieces that a test replaces, and a bench for drives that speak it.

Requests of node n come on 0x200 + n, replies leave on 0x300 + n, events on 0x100 + n; stops on 0x010 + n and starts on
0x020 + n, with 0 for all. The first byte says what a frame is.
"""

from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory

from choreo.frame import Frame
from choreo_sim.dialect_reader import DriveDialect, read_dialect
from choreo_sim.truth import AxisTruth

from .bench import HORIZONTAL, MS, Bench

MESSAGES = {
    "echo": "{class: neutral, request: {on: ask, payload: [{constant: 1}, {count: unsigned 8}]},"
    " reply: {on: say, payload: [{constant: 1}, {count: unsigned 8}], means: done}}",
    "read_position": "{class: neutral, request: {on: ask, payload: [{constant: 2}]},"
    " reply: {on: say, payload: [{constant: 2}, {position: signed 32}], means: done}}",
    "status": "{class: neutral, request: {on: ask, payload: [{constant: 3}]}, reply: {on: say, payload: [{constant: 3},"
    " {bits: [enabled, moving, homed, loaded, -, in_position, -, -]}, {fault: unsigned 8}], means: done}}",
    "read_setting": "{class: neutral, request: {on: ask, payload: [{constant: 4}, {number: unsigned 8}]},"
    " reply: {on: say, payload: [{constant: 4}, {value: unsigned 32}], means: done}}",
    "write_setting": "{class: sets, request: {on: ask, payload: [{constant: 5}, {number: unsigned 8},"
    " {value: unsigned 32}]}, reply: {on: say, payload: [{constant: 5}], means: done}}",
    "enable": "{class: enables, request: {on: ask, payload: [{constant: 6}]},"
    " reply: {on: say, payload: [{constant: 6}], means: done}}",
    "disable": "{class: disables, request: {on: ask, payload: [{constant: 7}]},"
    " reply: {on: say, payload: [{constant: 7}], means: done}}",
    "move": "{class: moves, request: {on: ask, payload: [{constant: 8}, {target: signed 32}]},"
    " reply: {on: say, payload: [{constant: 8}], means: done}}",
    "preload": "{class: loads, request: {on: ask, payload: [{constant: 9}, {target: signed 32}]},"
    " reply: {on: say, payload: [{constant: 9}], means: done}}",
    "clear_load": "{class: clears, request: {on: ask, payload: [{constant: 10}]},"
    " reply: {on: say, payload: [{constant: 10}], means: done}}",
    "start": "{class: starts, broadcast: only, request: {on: begin, payload: [{constant: 11}]}}",
    "stop": "{class: stops, broadcast: allowed, request: {on: halt, payload: [{constant: 12}]}}",
    "quick_stop": "{class: stops, broadcast: allowed, request: {on: halt, payload: [{constant: 13}]}}",
}
SECTIONS = {
    "choreo_dialect": "1",
    "name": "small",
    "title": "A small sample",
    "nodes": "{from: 1, to: 15, broadcast: 0}",
    "identifiers": "{bits: 11, halt: {base: 0x010}, begin: {base: 0x020}, tell: {base: 0x100}, ask: {base: 0x200},"
    " say: {base: 0x300}}",
    "byte_order": "big",
    "settings": "{speed: {number: 1, unit: 1024 counts/s, from: 1, to: 100000, rounding: down},"
    " acceleration: {number: 2, unit: 1 counts/s^2, from: 1, to: 100000000, rounding: down},"
    " quick_stop: {number: 3, unit: 1 counts/s^2, from: 1, to: 100000000, rounding: down}}",
    "loads": "{second_load: replaces, at_trigger: consumed, cleared_by: [clear_load],"
    " survives: [stop, quick_stop, disable], relative_to: never}",
    "stops": "{stop: {ramp: acceleration}, quick_stop: {ramp: quick_stop}}",
    "move_speed": "{setting: speed}",
    "position": "{is: actual, message: read_position}",
    "profile": "trapezoid",
    "permanent_settings": "[]",
    "timing": "{reply_within: 3 ms, gap: 0 ms, cycle: 1 ms, latch: 0.5 ms}",
}
#: 250 mm/s, 800 mm/s² and 3000 mm/s² on the bench's axis of 4915.2 counts/mm.
TRUTH = replace(
    HORIZONTAL, settings={"speed": 1200, "acceleration": 3_932_160, "quick_stop": 14_745_600}, encoder_at_power_up=1000
)


def text_of(messages: dict[str, str] | None = None, drop: Iterable[str] = (), **sections: str) -> str:
    """The dialect with some messages and sections replaced or added, and some dropped."""
    said = {**MESSAGES, **(messages or {})}
    lines = [f"{name}: {text}" for name, text in {**SECTIONS, **sections}.items()]
    lines += ["messages:", *(f"  {name}: {text}" for name, text in said.items() if name not in drop)]
    return "\n".join(lines) + "\n"


def read(text: str) -> DriveDialect:
    """As a drive reads it."""
    with TemporaryDirectory() as folder:
        path = Path(folder) / "small.yaml"
        path.write_text(text, encoding="utf-8")
        return read_dialect(path)


def small(messages: dict[str, str] | None = None, drop: Iterable[str] = (), **sections: str) -> DriveDialect:
    """The dialect, as a drive knows it."""
    return read(text_of(messages, drop, **sections))


class Talk(Bench):
    """A bench whose one drive, node 11, speaks a small dialect. `truth` may say more of its axis."""

    def __init__(self, dialect: DriveDialect, truth: AxisTruth = TRUTH, seed: int = 1) -> None:
        super().__init__(truth, dialect=dialect, seed=seed)
        self.drive = self.drives[11]
        self.servo = self.drive.servo

    def say(self, data: str, base: int = 0x200, node: int = 11, wait: int = 5 * MS) -> list[str]:
        """Send a request, and what came back within `wait`, as `302: 01 02` without the node number in it."""
        self.heard.clear()
        self.send(base + node, bytes.fromhex(data))
        self.wait(wait)
        return self.told()

    def told(self) -> list[str]:
        return [f"{frame.id & ~0xF:03X}: {frame.data.hex(' ').upper()}".strip() for _, frame in self.heard]

    def hear(self, ns: int) -> list[str]:
        """What the drive says in a time in which nobody asks."""
        self.heard.clear()
        self.wait(ns)
        return self.told()

    def put(self, frame: Frame) -> None:
        """Any frame of the host's, and the time that it takes to arrive."""
        self.host.send(frame)
        while self.host.pending:
            self.kernel.step()

    def broken(self) -> list[str]:
        return [damage.what for damage in self.damage]
