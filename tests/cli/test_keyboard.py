"""The operator's keys: space and Esc stop, words are answers once Enter ends them, Enter alone is nothing."""

import os
import pty
import termios

import anyio
import pytest
from hypothesis import given
from hypothesis import strategies as st

from choreo.cli import keyboard
from choreo.cli.keyboard import Keyboard, Keys, key_by_key
from choreo.link.port import Answer, Interrupt


class Desk:
    def __init__(self):
        self.events, self.lines = [], []
        self.keys = Keys(self.events.append, self.lines.append)


def test_a_word_is_an_answer_once_enter_ends_it():
    desk = Desk()
    desk.keys.take(b"kiln-shelf")
    assert desk.events == []
    assert desk.lines[-1] == "kiln-shelf"
    desk.keys.take(b"-gantryx\x7f\r")
    assert desk.events == [Answer("kiln-shelf-gantry")]
    assert desk.lines[-1] == ""


@pytest.mark.parametrize("enter", [b"\r", b"\n", b"\r\n", b"\n\n\n"])
def test_enter_alone_is_nothing(enter):
    desk = Desk()
    desk.keys.take(enter)
    assert desk.events == []


@pytest.mark.parametrize("before", [b"", b"kiln", b"yes"])
def test_space_and_esc_stop_at_every_moment_and_drop_the_word(before):
    for key, reason in ((b" ", "the space bar"), (b"\x1b", "Esc"), (b"\x1b[A", "Esc")):
        desk = Desk()
        desk.keys.take(before + key)
        assert desk.events == [Interrupt(reason)]
        desk.keys.take(b"\r")
        assert desk.events == [Interrupt(reason)]


@given(st.binary(max_size=60))
def test_whatever_is_pressed_every_space_before_the_first_esc_is_a_stop(data):
    desk = Desk()
    desk.keys.take(data)
    before_escape = data.split(b"\x1b")[0]
    stops = [event for event in desk.events if isinstance(event, Interrupt)]
    assert len(stops) == before_escape.count(b" ") + (b"\x1b" in data)
    assert all(event.text.strip() for event in desk.events if isinstance(event, Answer))


def read_all(data, monkeypatch, *, terminal):
    """What a keyboard posts for bytes that come in, when its other end is closed."""
    ours, theirs = pty.openpty() if terminal else os.pipe()[::-1]
    monkeypatch.setattr(keyboard, "_descriptor", lambda: theirs)
    events = []
    if terminal:
        mode = termios.tcgetattr(theirs)
        with key_by_key():
            assert not termios.tcgetattr(theirs)[3] & (termios.ICANON | termios.ECHO)
            board = Keyboard(events.append)
            os.write(ours, data)

            async def until_gone():
                async with anyio.create_task_group() as group:
                    group.start_soon(board.read)
                    with anyio.fail_after(60):
                        while len(events) < 2:
                            await anyio.sleep(0.001)
                    os.close(ours)

            anyio.run(until_gone)
        assert mode
    else:
        board = Keyboard(events.append)
        os.write(ours, data)
        os.close(ours)
        anyio.run(board.read)
    os.close(theirs)
    assert board.ended
    return events


def test_a_terminal_gives_keys_and_its_end_is_a_stop(monkeypatch):
    events = read_all(b"yes\r ", monkeypatch, terminal=True)
    assert events == [Answer("yes"), Interrupt("the space bar"), Interrupt("the terminal is gone")]


def test_lines_of_a_pipe_are_answers_and_its_end_is_no_stop(monkeypatch):
    events = read_all(b"kiln-shelf-gantry\n\n  yes \nun", monkeypatch, terminal=False)
    assert events == [Answer("kiln-shelf-gantry"), Answer("yes")]


def test_without_standard_input_nobody_can_answer(monkeypatch):
    monkeypatch.setattr("sys.stdin", None)
    board = Keyboard(lambda event: None)
    assert board.ended
    assert not board.terminal


def test_what_was_typed_before_a_question_is_no_part_of_its_answer():
    desk = Desk()
    desk.keys.take(b"yes")
    desk.keys.forget()
    desk.keys.take(b"\n")
    assert desk.events == []
    desk.keys.take(b"no\n")
    assert desk.events == [Answer("no")]
