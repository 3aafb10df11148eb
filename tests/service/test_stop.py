"""
A stop through another process: what it answers with its journal, and the ways in which it does not answer.

The process is a small stand-in (`stand_in.py`), because its own stopping is tested elsewhere.
"""

import os
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from choreo.running import Running, find
from choreo.service import stop
from choreo.service.stop import AxisAfterStop, ask_to_stop, guardian_word, is_halted, lines_of
from service.stand_in import AXES, MACHINE

TESTS = Path(__file__).parents[1]

Start = Callable[[str], Running]


@pytest.fixture
def start(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Start]:
    """Starts a stand-in that reacts in one of its ways, and finds it."""
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    folder = tmp_path / "run"
    folder.mkdir()
    with ExitStack() as stack:

        def begin(way: str) -> Running:
            process = subprocess.Popen(
                [sys.executable, "-m", "service.stand_in", way, str(folder)],
                env={**os.environ, "PYTHONPATH": os.pathsep.join([str(TESTS), *sys.path])},
                stdout=subprocess.PIPE,
                text=True,
            )
            stack.callback(process.communicate, timeout=60)
            stack.callback(process.kill)
            assert process.stdout is not None
            assert process.stdout.readline() == "ready\n"
            (running,) = find(machine=MACHINE)
            assert running.pid == process.pid
            return running

        yield begin


def test_a_process_that_stops_says_how_each_axis_stands(start: Start) -> None:
    causes: list[str] = []
    answered = ask_to_stop(start("stops"), causes.append)
    assert (answered.how, answered.exit, answered.proven) == ("stopped", 130, True)
    assert causes == ["stopped by the operator: SIGTERM"]
    assert [axis.axis for axis in answered.axes] == list(AXES)
    assert answered.axes[0] == AxisAfterStop(
        "beam", "mm", True, 12.5, 1250, True, True, "empty", "three fresh, equal readings",
        "Find the cause before the next run.",
    )  # fmt: skip


@pytest.mark.parametrize("way", ["lift_unproven", "lift_unheard"])
def test_an_axis_that_is_not_proven_is_named(start: Start, way: str) -> None:
    answered = ask_to_stop(start(way))
    assert answered.how == "stopped"
    assert not answered.proven
    assert {axis.axis: axis.proven for axis in answered.axes} == {"beam": True, "lift": False}
    text = "\n".join(lines_of(answered.axes))
    assert "beam has come to rest at 12.500 mm: under power, home valid, holds no load" in text
    assert "lift is NOT PROVEN AT REST" in text


def test_a_lost_link_is_told_on(start: Start) -> None:
    answered = ask_to_stop(start("loses_link"))
    assert (answered.how, answered.exit, answered.proven) == ("stopped", 4, False)


@pytest.mark.parametrize("way", ["is_done", "no_journal", "dies"])
def test_a_process_that_ends_otherwise_proves_nothing(start: Start, way: str) -> None:
    answered = ask_to_stop(start(way))
    assert answered.how == "ended"
    assert not answered.proven
    assert find(machine=MACHINE) == []


def test_a_process_that_does_not_react_is_deaf(start: Start) -> None:
    answered = ask_to_stop(start("deaf"))
    assert (answered.how, answered.halted, answered.proven) == ("deaf", False, False)


def test_a_halted_process_is_deaf_at_once(start: Start, monkeypatch: pytest.MonkeyPatch) -> None:
    running = start("stops")
    os.kill(running.pid, signal.SIGSTOP)
    monkeypatch.setattr(stop, "REACTS_S", 3600.0)
    answered = ask_to_stop(running)
    assert (answered.how, answered.halted) == ("deaf", True)
    assert is_halted(running.pid)
    assert not is_halted(os.getpid())


def test_a_process_that_hangs_in_its_stop_is_not_waited_for(start: Start, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(stop, "HANGS_S", 0.2)
    answered = ask_to_stop(start("hangs"))
    assert (answered.how, answered.proven) == ("hangs", False)


def test_the_journal_of_an_earlier_run_is_not_taken_for_its_own(start: Start, tmp_path: Path) -> None:
    running = start("no_journal")
    journal = tmp_path / "run" / "journal.jsonl"
    from service.stand_in import JournalWriter, react, run_record

    with JournalWriter(journal) as writer:
        run_record(writer)
        react("stops", writer)
    os.utime(journal, (running.since - 5, running.since - 5))
    assert ask_to_stop(running).how == "ended"


def test_a_process_that_has_just_ended_cannot_be_asked(tmp_path: Path) -> None:
    process = subprocess.Popen([sys.executable, "-c", ""])
    process.wait(60)
    assert ask_to_stop(Running(process.pid, MACHINE, "x:y", tmp_path)).how == "ended"


def test_the_word_of_a_guardian(tmp_path: Path) -> None:
    assert guardian_word(tmp_path, 0.0) == ""
    (tmp_path / "guardian.json").write_text("{", encoding="utf-8")
    assert guardian_word(tmp_path, 0.0) == ""
    (tmp_path / "guardian.json").write_text('{"why": "silence", "outcome": "told to stop"}', encoding="utf-8")
    assert guardian_word(tmp_path, 0.0) == "its guardian: silence; told to stop"


def test_what_a_drive_may_still_hold_is_said_with_what_to_do() -> None:
    axis = AxisAfterStop(
        "lift", "mm", True, None, None, None, False, "unknown", "three readings", "Switch the drive off."
    )
    assert list(lines_of([axis])) == [
        "lift has come to rest: power unknown, no valid home, MAY HOLD A LOAD (three readings)",
        "    Switch the drive off.",
    ]
