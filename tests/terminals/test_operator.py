"""The person at a real run: the machine's name, yes and no, the space bar, nobody there; and the way out afterwards."""

import os
import pty
import re
import signal
import subprocess
import sys
import threading

import pytest

from terminals.terminals import PATIENCE_S, SLIDES, Journal, machine, moving, once, run, terminal

WORD = "two-slides-to-and-fro"
OUT = """\
sequences:
  out:
    after_stop: true
    steps:
      - confirm: "Nobody is near"
      - configure: {all: {speed: 10 mm/s, acceleration: 400 mm/s^2, jerk: 4000 mm/s^3, quick_stop: 1000 mm/s^2}}
      - enable: all
      - move: {near_slide: {by: 2 mm}}
steps:
"""


def asked(journal):
    """A question stands there that has no answer yet."""
    said = [record["what"] for record in journal.of("operator")]
    return said.count("asked") > said.count("answer")


def test_the_name_by_a_pipe_begins_the_run(here):
    with machine(here), run(here, recipe=once(here), asked=True, stdin=subprocess.PIPE) as (running, journal):
        assert running.process.stdin is not None
        with running.process.stdin as line:
            journal.until(asked)
            line.write(f"\n{WORD}\n")
            line.flush()
            assert running.end() == 0, running.text
    journal.whole()
    assert [record["what"] for record in journal.of("operator")] == ["asked", "answer"]


def test_where_nobody_can_answer_nothing_moves(here):
    with machine(here), run(here, recipe=once(here), asked=True) as (running, journal):
        assert running.end() == 130, running.text
    journal.whole()
    assert "nobody is there to answer" in running.text
    assert journal.of("step_begin") == []
    assert {record["axis"] for record in journal.of("at_rest")} == {"near_slide", "far_slide"}


#: Makes standard input the terminal that it is controlled by, as a shell does.
CONTROLLED = """
import fcntl, os, sys, termios
fcntl.ioctl(0, termios.TIOCSCTTY, 0)
os.execv(sys.executable, [sys.executable, "-m", "choreo", *sys.argv[1:]])
"""


@pytest.mark.parametrize(
    "end",
    [
        "the space bar",
        pytest.param("Esc", marks=pytest.mark.campaign),
        pytest.param("SIGHUP", marks=pytest.mark.campaign),
    ],
)
def test_a_key_or_a_closed_terminal_stops(here, end):
    ours, theirs = pty.openpty()
    shown = bytearray()
    with machine(here):
        words = ["run", str(SLIDES), "--bus", f"slcan:{here / 'port'}", "--out", str(here / "out")]
        process = subprocess.Popen(
            [sys.executable, "-c", CONTROLLED, *words],
            cwd=here,
            stdin=theirs,
            stdout=theirs,
            stderr=theirs,
            start_new_session=True,
            env={**os.environ, "TERM": "xterm"},
        )
        os.close(theirs)
        reader = threading.Thread(target=read_on, args=(ours, shown))
        reader.start()
        try:
            journal = Journal(here / "out")
            journal.until(asked)
            os.write(ours, WORD.encode() + b"\r")
            journal.until(moving)
            if end == "SIGHUP":
                process.send_signal(signal.SIGHUP)
            else:
                os.write(ours, {"the space bar": b" ", "Esc": b"\x1b"}[end])
            assert process.wait(PATIENCE_S) == 130, shown
        finally:
            process.kill()
            process.wait(PATIENCE_S)
            reader.join(PATIENCE_S)
            os.close(ours)
    journal.whole()
    assert journal.of("operator")[-1]["what"] == end
    assert {record["axis"] for record in journal.of("at_rest")} == {"near_slide", "far_slide"}


def read_on(descriptor, shown):
    """A terminal that nobody reads from would hold the program up."""
    try:
        while data := os.read(descriptor, 65536):
            shown += data
    except OSError:
        return


def test_after_a_stop_a_retreat_goes_on_from_where_the_axes_are(here):
    recipe = here / "way_out.yaml"
    recipe.write_text(SLIDES.read_text(encoding="utf-8").replace("steps:\n", OUT, 1), encoding="utf-8")
    with machine(here):
        with run(here, recipe=recipe) as (running, journal):
            journal.until(moving)
            running.send(signal.SIGINT)
            assert running.end() == 130, running.text
        bus = f"slcan:{here / 'port'}"
        words = ("retreat", str(recipe), "out", "--after", str(here / "out"), "--bus", bus, "--out", str(here / "back"))
        with terminal(*words, "--armed", cwd=here, stdin=subprocess.PIPE) as back:
            after = Journal(here / "back")
            assert back.process.stdin is not None
            with back.process.stdin as line:
                after.until(asked)
                line.write("yes\n")
                line.flush()
                assert back.end() == 0, back.text
    after.whole()
    assert after.records[0]["retreat"] == "out"
    assert [record["axis"] for record in after.of("settled")] == ["near_slide"]


def test_ctrl_c_pressed_again_and_again_does_not_hide_how_the_axes_were_left(here):
    with machine(here), run(here) as (running, journal):
        journal.until(moving)
        while running.process.poll() is None and "run folder:" not in running.text:
            running.send(signal.SIGINT)
            running.hear(0.01)
        assert running.end() in (130, -signal.SIGINT), running.text  # the last may find the interpreter at its end
    journal.whole()
    assert re.findall(r"^  (\w+): at rest", running.text, re.MULTILINE) == ["near_slide", "far_slide"], running.text
    assert (here / "out" / "summary.json").exists()


@pytest.mark.campaign
def test_an_input_that_ends_after_its_answer_is_no_stop(here):
    with machine(here), run(here, recipe=once(here), asked=True, stdin=subprocess.PIPE) as (running, journal):
        assert running.process.stdin is not None
        with running.process.stdin as line:
            journal.until(asked)
            line.write(f"{WORD}\n")
        assert running.end() == 0, running.text
    journal.whole()
