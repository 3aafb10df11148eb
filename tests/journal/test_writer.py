"""The journal as it is written: order, form, and what happens when it cannot be."""

import errno
import io
import json
import os
from enum import Enum, StrEnum
from fractions import Fraction
from pathlib import Path, PurePosixPath

import pytest
from hypothesis import given
from hypothesis import strategies as st

from choreo.errors import InternalError, MachineFault, RecipeError
from choreo.journal import JournalWriter
from choreo.journal.writer import SAMPLES_HELD


class Mode(StrEnum):
    LIVE = "live"


class Way(Enum):
    """An enum that is no str."""

    UP = "up"


def test_a_record_is_one_compact_line_in_the_order_given():
    text = io.StringIO()
    with JournalWriter(None, text) as journal:
        journal.write("step_end", 1_500, step=3, outcome="done", worst_reply_ns=None)
    assert text.getvalue() == '{"k":"step_end","t":1500,"step":3,"outcome":"done","worst_reply_ns":null}\n'


def test_fractions_enums_bytes_and_paths_are_written_as_text():
    text = io.StringIO()
    JournalWriter(None, text).write(
        "run",
        0,
        pace=Fraction(1, 5),
        lead=Fraction(400, 3),
        mode=Mode.LIVE,
        way=Way.UP,
        frame=b"\x21\xf0",
        file=Path("a") / "b",
    )
    assert (
        text.getvalue()
        == '{"k":"run","t":0,"pace":"0.2","lead":"400/3","mode":"live","way":"up","frame":"21.F0","file":"a/b"}\n'
    )


def test_a_sample_is_an_array():
    text = io.StringIO()
    with JournalWriter(None, text) as journal:
        journal.sample(20_000_000, 2, -819_200, 480)
    assert text.getvalue() == '["p",20000000,2,-819200,480]\n'


def test_samples_wait_for_their_neighbours_and_a_record_takes_them_along():
    text = io.StringIO()
    journal = JournalWriter(None, text)
    for number in range(SAMPLES_HELD - 1):
        journal.sample(number, 0, number, 1)
    assert text.getvalue() == ""
    journal.sample(99, 0, 99, 1)
    assert text.getvalue().count("\n") == SAMPLES_HELD
    journal.sample(100, 1, 5, 1)
    journal.write("step_begin", 101, step=0)
    assert text.getvalue().splitlines()[-2:] == ['["p",100,1,5,1]', '{"k":"step_begin","t":101,"step":0}']


def test_a_record_is_in_the_file_before_write_returns(tmp_path):
    path = tmp_path / "journal.jsonl"
    journal = JournalWriter(path)
    journal.write("step_begin", 0, step=0)
    assert path.read_bytes() == b'{"k":"step_begin","t":0,"step":0}\n'
    journal.close()
    journal.close()


def test_the_observer_sees_what_a_reader_would_read():
    seen: list[object] = []
    samples: list[tuple[int, ...]] = []
    journal = JournalWriter(
        None,
        observer=lambda kind, t_ns, fields: seen.append((kind, t_ns, fields)),
        sample_observer=lambda *sample: samples.append(sample),
    )
    journal.write("move", 5, distance=Fraction(3, 2), axes=(0, 1))
    journal.sample(6, 1, 7, 8)
    assert seen == [("move", 5, {"distance": "1.5", "axes": [0, 1]})]
    assert samples == [(6, 1, 7, 8)]


@pytest.mark.parametrize("value", [float("nan"), float("inf"), object(), {1j: 2}])
def test_what_a_journal_cannot_hold_is_a_bug_of_ours_and_says_where(value):
    journal = JournalWriter(None, io.StringIO())
    with pytest.raises(InternalError, match="'settled'"):
        journal.write("settled", 0, counts=value)


def test_a_broken_file_name_still_makes_valid_utf8(tmp_path):
    path = tmp_path / "journal.jsonl"
    with JournalWriter(path) as journal:
        journal.write("operator", 0, what="caf\udce9")  # what os.fsdecode makes of a Latin-1 name
    assert json.loads(path.read_bytes().decode("utf-8"))["what"] == "caf\udce9"


def test_a_folder_that_is_not_there_is_the_users_error(tmp_path):
    with pytest.raises(RecipeError, match=r"cannot be written: No such file or directory"):
        JournalWriter(tmp_path / "missing" / "journal.jsonl")


def test_a_full_disk_is_said_once_and_never_again(tmp_path, monkeypatch):
    journal = JournalWriter(tmp_path / "journal.jsonl")
    journal.write("step_begin", 0, step=0)

    def full(fd, data):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "write", full)
    for number in range(SAMPLES_HELD + 1):
        journal.sample(number, 0, 0, 0)  # a reading never raises: it would be lost in the middle of a reply
    assert journal.failure is not None
    with pytest.raises(MachineFault, match="No space left on device"):
        journal.write("step_end", 1, step=0)
    journal.write("stopping", 2, cause="the journal")
    journal.sync()
    monkeypatch.undo()
    journal.close()
    assert (tmp_path / "journal.jsonl").read_text().count("\n") == 1


def test_sync_reaches_the_disk_and_bears_a_pipe(tmp_path, monkeypatch):
    synced: list[int] = []
    monkeypatch.setattr(os, "fsync", synced.append)
    with JournalWriter(tmp_path / "journal.jsonl") as journal:
        journal.write("stopping", 0)
        journal.sync()
        assert len(synced) == 1


@pytest.mark.parametrize(("number", "fails"), [(errno.EIO, True), (errno.EINVAL, False)])
def test_a_disk_that_fails_to_sync_is_a_fault_and_a_pipe_that_cannot_is_none(tmp_path, monkeypatch, number, fails):
    def cannot(fd):
        raise OSError(number, os.strerror(number))

    with JournalWriter(tmp_path / "journal.jsonl") as journal:
        with monkeypatch.context() as patched:
            patched.setattr(os, "fsync", cannot)
            journal.sync()
        assert (journal.failure is not None) is fails
        if fails:
            with pytest.raises(MachineFault, match="cannot be written any more"):
                journal.write("end", 0)


def test_a_short_write_is_continued(tmp_path, monkeypatch):
    real = os.write
    monkeypatch.setattr(os, "write", lambda fd, data: real(fd, data[:7]))
    with JournalWriter(tmp_path / "journal.jsonl") as journal:
        journal.write("step_begin", 123_456_789, step=42)
    assert (tmp_path / "journal.jsonl").read_text() == '{"k":"step_begin","t":123456789,"step":42}\n'


_json = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False, allow_infinity=False) | st.text(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3),
    max_leaves=8,
)


@given(st.integers(0, 2**62), st.dictionaries(st.text(min_size=1).filter(lambda key: key not in "kt"), _json))
def test_every_record_is_one_line_that_json_reads_back(t_ns, fields):
    text = io.StringIO(newline="")
    JournalWriter(None, text).write("operator", t_ns, **fields)
    assert text.getvalue().count("\n") == 1
    assert json.loads(text.getvalue()) == {"k": "operator", "t": t_ns, **fields}


def test_paths_are_written_alike_on_every_system():
    text = io.StringIO()
    JournalWriter(None, text).write("operator", 0, what=Path(PurePosixPath("a/b c.yaml")))
    assert json.loads(text.getvalue())["what"] == "a/b c.yaml"
