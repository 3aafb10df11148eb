"""What an exception becomes: words, an exit code, a crash file for a bug, and never a traceback."""

import subprocess
import sys
import tempfile

import pytest

from choreo.cli import handling
from choreo.cli.handling import guarded, report_bug
from choreo.errors import (
    ExpectationFailed,
    InternalError,
    LinkLost,
    MachineFault,
    OperatorStop,
    RecipeError,
    RefusedByDrive,
)


def raising(error):
    def command():
        raise error

    return command


@pytest.fixture(autouse=True)
def crash_folder(tmp_path, monkeypatch):
    """Crash files of a test go where the test can see them."""
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    return tmp_path


@pytest.mark.parametrize(
    ("error", "code"),
    [
        (ExpectationFailed("x"), 1),
        (RecipeError("x"), 2),
        (MachineFault("x"), 3),
        (RefusedByDrive("x"), 3),
        (LinkLost("x"), 4),
        (OperatorStop("x"), 130),
        (KeyboardInterrupt(), 130),
        (BrokenPipeError(), 130),
        (InternalError("x"), 70),
        (ZeroDivisionError("x"), 70),
    ],
)
def test_every_culprit_has_its_exit_code(error, code, capsys):
    assert guarded(raising(error), []) == code


def test_what_a_command_returns_is_the_exit_code():
    assert guarded(lambda: 3, []) == 3


def test_an_error_is_its_headline_and_what_to_do(capsys):
    guarded(raising(RecipeError("the folder is full", help="Empty it.")), [])
    assert capsys.readouterr().err == "choreo: the folder is full\n  Empty it.\n"


def test_a_bug_is_said_to_be_ours_with_versions_and_a_file_that_has_the_rest(capsys, crash_folder):
    assert guarded(raising(InternalError("the plan has no end")), ["dry-run", "r.yaml"]) == 70
    err = capsys.readouterr().err
    (crash,) = crash_folder.iterdir()
    assert "a bug in choreo, not in the recipe or the machine: the plan has no end" in err
    assert "Python 3." in err
    assert str(crash) in err
    assert "Traceback" not in err
    text = crash.read_text()
    assert "Traceback" in text
    assert "arguments: ['dry-run', 'r.yaml']" in text
    assert "ruamel.yaml " in text


def test_where_nothing_can_be_written_the_report_goes_to_the_screen(capsys, tmp_path):
    assert report_bug(ValueError("lost"), [], tmp_path / "missing" / "crash.txt") == 70
    err = capsys.readouterr().err
    assert "Traceback" not in err  # the exception was never raised, so it has none
    assert "ValueError: lost" in err
    assert "Please report it with the file" not in err


def test_a_library_that_is_not_there_is_no_second_bug(monkeypatch, crash_folder):
    monkeypatch.setattr(handling, "LIBRARIES", ("no-such-library",))
    report_bug(ValueError("x"), [])
    (crash,) = crash_folder.iterdir()
    assert "no-such-library not installed" in crash.read_text()


#: A program whose standard streams were closed; what it opens next must not become one of them.
STREAMS = """
import os, sys
from choreo.cli import open_standard_streams
open_standard_streams()
print("nowhere")
sys.stderr.write("nowhere")
sys.exit(os.open(os.devnull, os.O_RDWR))
"""


@pytest.mark.parametrize("closed", ["<&-", ">&-", "2>&-", "<&- >&- 2>&-"])
def test_no_file_gets_the_number_of_a_standard_stream_that_was_closed(closed):
    done = subprocess.run(["sh", "-c", f'exec "$0" -c "$1" {closed}', sys.executable, STREAMS], check=False)
    assert done.returncode > 2
    assert done.returncode < 10  # and nothing is kept open for it
