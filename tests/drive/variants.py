"""Dialects that are short_frame but for one thing, as text and compiled."""

import tempfile
from functools import cache
from pathlib import Path

from choreo.wire.described import DescribedDialect, load_dialect, shipped_file

PRELOAD_IN_TWO = """\
  preload:
    class: loads
    frames:
      - request: {on: request, payload: [{constant: 0x42}, {target: signed 32}]}
        reply: {on: reply, payload: [{constant: 0xC2}, {target: signed 32}], means: received}
      - request: {on: request, payload: [{constant: 0x44}, {speed: unsigned 16}]}
        reply: {on: reply, payload: [{constant: 0xC4}, {speed: unsigned 16}], means: accepted}
    gap: 2 ms
    within: 60 ms
    abort: clear_load
"""


def text(*changes: tuple[str, str], name: str = "varied") -> str:
    """The shipped dialect with each `(old, new)` replaced; every `old` must be there."""
    found = shipped_file("short_frame").read_text(encoding="utf-8").replace("name: short_frame", f"name: {name}")
    for old, new in changes:
        assert old in found, old
        found = found.replace(old, new)
    return found


def preload_in_two(found: str) -> str:
    """Target and speed go in a frame each."""
    begin, end = found.index("  preload:"), found.index("  clear_load:")
    return found[:begin] + PRELOAD_IN_TWO + found[end:]


def numbered(found: str, bits: int, *, echoed: bool) -> str:
    """A counter behind each request and reply, and behind each event where the drive counts for itself."""
    rest = f", {{ignored: {8 - bits}}}" if bits < 8 else ""
    asked = f", {{rolling: {bits}{', echoed: true' if echoed else ''}}}{rest}]"
    told = f", {{rolling: {bits}}}{rest}]"
    lines = []
    for line in found.splitlines():
        if "request: {on:" in line:
            line = line.replace("]}", asked + "}", 1)
        elif "reply:   {on: reply" in line:
            line = line.replace("], means", told + ", means", 1)
        elif line.strip().startswith("payload: [{constant: 0x9"):
            line = line.rstrip()[:-1] + told
        elif "on: event" in line and not echoed:
            line = line.replace("]}", told + "}", 1)
        lines.append(line)
    return "\n".join(lines) + "\n"


@cache
def compiled(source: str) -> DescribedDialect:
    """A dialect file's text, compiled."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "varied.yaml"
        path.write_text(source, encoding="utf-8")
        return load_dialect(path)
