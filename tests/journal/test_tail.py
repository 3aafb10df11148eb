"""A journal read while it grows: cut anywhere, it says what the whole says."""

import json
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from choreo.errors import RecipeError
from choreo.journal import KINDS, read_journal
from choreo.journal.tail import Lines, Tail

GOLDEN = Path(__file__).parents[1] / "golden" / "journal_v1.jsonl"
WHOLE = GOLDEN.read_bytes()
RUN = WHOLE.split(b"\n")[0] + b"\n"


class Told:
    """Remembers what it is told."""

    def __init__(self):
        self.records = []
        self.samples = []

    def record(self, kind, t_ns, fields):
        self.records.append((kind, t_ns, fields))

    def sample(self, *reading):
        self.samples.append(reading)


def fed(*pieces):
    told = Told()
    lines = Lines(told)
    for piece in pieces:
        lines.feed(piece)
    return told, lines


@given(st.lists(st.integers(0, len(WHOLE)), max_size=40))
def test_any_cutting_gives_the_same_records_as_the_reader(cuts):
    places = [0, *sorted(cuts), len(WHOLE)]
    told, lines = fed(*(WHOLE[begin:end] for begin, end in pairwise(places)))
    journal = read_journal(GOLDEN)
    assert told.records == [(record.kind, record.t_ns, dict(record.fields)) for record in journal.records]
    for axis, samples in enumerate(journal.samples):
        assert [one for one in told.samples if one[1] == axis] == [
            (t_ns, axis, counts, age)
            for t_ns, counts, age in zip(samples.t_ns, samples.counts, samples.age_us, strict=True)
        ]
    assert lines.ended


def test_byte_by_byte_nothing_is_told_before_its_newline():
    told = Told()
    lines = Lines(told)
    for place in range(len(RUN) - 1):
        lines.feed(RUN[place : place + 1])
    assert told.records == []
    lines.feed(b"\n")
    assert [kind for kind, _, _ in told.records] == ["run"]


def test_unknown_kinds_and_the_zeros_of_a_power_cut_are_passed_over():
    told, lines = fed(RUN, b'{"k":"of tomorrow","t":5}\n', b"\0" * 40 + b"\n", b'{"k":"step_begin","t":6,"step":0}\n')
    assert "of tomorrow" not in KINDS
    assert [kind for kind, _, _ in told.records] == ["run", "step_begin"]
    assert not lines.ended


@pytest.mark.parametrize(
    ("line", "says"),
    [
        (b"hello\n", "not JSON"),
        (b"[" * 100_000 + b"\n", "sample that cannot be read"),
        (b'"text"\n', "neither a record nor a sample"),
        (b'{"k":"step_begin","t":"soon","step":0}\n', "no time"),
        (b'{"k":"step_end","t":5,"step":0}\n', "has no 'outcome'"),
        (b'["p",5,99,1,1]\n', "sample"),
        (b'["p",5,-1,1,1]\n', "sample"),
        (b'["p","5",0,1,1]\n', "sample"),
        (b'["p",5,0,1]\n', "sample"),
    ],
)
def test_what_is_no_journal_is_refused(line, says):
    with pytest.raises(RecipeError, match=says) as refused:
        fed(RUN, line, RUN)
    assert refused.value.rule == "journal"


@pytest.mark.parametrize("line", [b"\n", b'{"k":"end","t":0}\n', b'["p",1,0,1,1]\n', b'{"k":"run","t":0}\n', b"\xff\n"])
def test_the_first_line_must_be_that_of_a_journal(line):
    with pytest.raises(RecipeError):
        fed(line if line != b"\n" else b"x\n")


def test_a_version_of_the_future_is_refused():
    head = json.loads(RUN)
    with pytest.raises(RecipeError, match="version 99"):
        fed(json.dumps(head | {"journal": 99}).encode() + b"\n")


def test_what_the_taker_cannot_understand_is_refused_with_the_line():
    class Puzzled(Told):
        def record(self, kind, t_ns, fields):
            if kind != "run":
                raise KeyError(fields["step"])

    lines = Lines(Puzzled(), "here.jsonl")
    with pytest.raises(RecipeError, match=r"here\.jsonl:2: the 'step_begin' record"):
        lines.feed(RUN + b'{"k":"step_begin","t":6,"step":0}\n')


def test_a_file_is_read_as_it_grows(tmp_path):
    path, told = tmp_path / "journal.jsonl", Told()
    with Tail(path, told) as tail:
        assert not tail.read()
        assert not tail.exists
        assert tail.written_s() is None
        path.write_bytes(RUN[:100])
        assert tail.read()
        assert not tail.read()
        assert told.records == []
        with path.open("ab") as file:
            file.write(WHOLE[100:])
        assert tail.read()
        assert tail.ended
        assert tail.size == len(WHOLE)
        assert tail.written_s() == path.stat().st_mtime
        assert not tail.read()  # nothing follows an end
    tail.close()


@pytest.mark.parametrize("how", ["another", "gone", "shorter"])
def test_another_run_in_the_same_folder_is_noticed(tmp_path, how):
    path, told = tmp_path / "journal.jsonl", Told()
    path.write_bytes(RUN)
    with Tail(path, told) as tail:
        assert tail.read()
        assert not tail.replaced
        if how == "shorter":
            path.write_bytes(RUN[:10])
        else:
            path.unlink()
        if how == "another":
            path.write_bytes(WHOLE)
        assert not tail.read()
        assert tail.replaced
        assert not tail.read()
    assert len(told.records) == 1


def test_a_file_that_cannot_be_read_is_one_clear_error(tmp_path):
    (tmp_path / "file").write_text("")
    with Tail(tmp_path / "file" / "journal.jsonl", Told()) as tail, pytest.raises(RecipeError, match="cannot be read"):
        tail.read()
