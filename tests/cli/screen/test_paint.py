"""What goes to the terminal."""

import os
import re

import pytest

from choreo.cli.screen.paint import ENTER, LEAVE, Painter
from choreo.cli.screen.rows import Row, row


class Stream:
    """A pipe with an encoding, as a terminal without a size is."""

    def __init__(self, encoding="utf-8"):
        self.reading, self.writing = os.pipe()
        self.encoding = encoding

    def fileno(self):
        return self.writing

    def written(self):
        return os.read(self.reading, 1 << 16)


@pytest.fixture
def stream():
    made = []

    def make(*args):
        made.append(Stream(*args))
        return made[-1]

    yield make
    for one in made:
        os.close(one.reading)
        os.close(one.writing)


def test_only_lines_that_changed_are_drawn_again(stream):
    out = stream()
    painter = Painter(out, {})
    painter.draw([row("one"), row("two"), row("three")], (5, 3))
    first = out.written()
    assert b"\x1b[2J" in first
    assert [text in first for text in (b"one", b"two", b"three")] == [True] * 3
    painter.draw([row("one"), row("2"), row("three")], (5, 3))
    assert re.findall(rb"\x1b\[(\d+);1H", out.written()) == [b"2"]


def test_nothing_is_written_when_nothing_changed(stream):
    out = stream()
    painter = Painter(out, {})
    painter.draw([row("one")], (5, 1))
    out.written()
    painter.draw([row("one")], (5, 1))
    painter.leave()
    assert out.written() == LEAVE.encode()


def test_another_size_draws_everything_anew(stream):
    out = stream()
    painter = Painter(out, {})
    painter.draw([row("one"), row("two")], (5, 2))
    out.written()
    painter.draw([row("one"), row("two")], (9, 2))
    again = out.written()
    assert b"\x1b[2J" in again
    assert b"one" in again
    assert b"two" in again


def test_what_is_entered_is_left(stream):
    """Alternate screen 1049 and cursor 25: DEC private modes, as xterm's control sequences document names them."""
    for mode in ("1049", "25", "7", "2026"):
        last = re.findall(rf"\x1b\[\?{mode}([hl])", ENTER + LEAVE)[-1]
        assert last == {"1049": "l", "25": "h", "7": "h", "2026": "l"}[mode]


def test_without_colours_what_is_loud_is_reversed(stream):
    out = stream()
    Painter(out, {"NO_COLOR": "1"}).draw([Row((("stop", "alarm"), ("x", "")))], (5, 1))
    written = out.written()
    assert b"\x1b[0;1;7mstop" in written
    assert not re.search(rb"\x1b\[[0-9;]*[349][0-7]", written)


def test_a_terminal_without_utf_8_gets_other_characters_of_the_same_width(stream):
    out = stream("ascii")
    Painter(out, {}).draw([row("[██▌ ] ─ …")], (10, 1))
    assert b"[##+ ] - ." in out.written()


def test_a_terminal_that_does_not_say_its_size_has_the_usual_one(stream):
    assert Painter(stream(), {}).size() == (80, 24)
