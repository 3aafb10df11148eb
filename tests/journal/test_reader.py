"""A journal read back: whole, broken off, old, strange."""

import json
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from choreo.errors import RecipeError
from choreo.journal import KINDS, JournalWriter, deviations, read_journal
from choreo.journal.upgrade import upgrader

GOLDEN = Path(__file__).parents[1] / "golden" / "journal_v1.jsonl"


@pytest.fixture
def broken(tmp_path):
    """Make a journal file of given bytes."""

    def make(data):
        path = tmp_path / "journal.jsonl"
        path.write_bytes(data)
        return path

    return make


def head(**changes):
    run = json.loads(GOLDEN.read_text().splitlines()[0])
    return json.dumps(run | changes) + "\n"


def test_the_golden_journal_of_version_1_is_readable():
    journal = read_journal(GOLDEN)
    assert [axis.name for axis in journal.axes] == ["near", "far", "tilt"]
    assert journal.axes[1].counts_per_unit == Fraction(-8192, 3)
    assert journal.axis("tilt").unit == "deg"
    assert journal.pairs[0].axes == (0, 1)
    assert journal.pairs[0].trip == Fraction(3, 2)
    assert [(step.id, step.verb, step.timeout_ns) for step in journal.steps][2] == (2, "move", 4_000_000_000)
    assert journal.complete
    assert journal.skipped == {"a_kind_of_later_days": 1}
    assert list(journal.samples[0].counts) == [120, 3277]
    assert list(journal.samples[1].t_ns) == [931_000_000, 5_121_000_000]
    assert list(journal.samples[2].age_us) == [505]
    assert [record.fields["exit"] for record in journal.of("end")] == [3]


def test_a_record_belongs_to_the_step_that_is_under_way():
    steps = {record.kind: record.step for record in read_journal(GOLDEN).records}
    assert steps["run"] is None
    assert steps["setting"] == steps["homed"] == 1
    assert steps["trigger"] == steps["settled"] == steps["step_end"] == 2
    assert steps["stopping"] is None


def test_the_golden_journal_has_every_kind_with_the_fields_of_the_table():
    journal = read_journal(GOLDEN)
    assert {record.kind for record in journal.records} == set(KINDS)
    assert [line for record in journal.records for line in deviations(record.kind, record.fields)] == []


def test_a_deviation_from_the_table_is_named():
    assert deviations("step_begin", {"stop": 1}) == [
        "step_begin: step is missing",
        "step_begin: stop is not in the table",
    ]
    assert deviations("waltz", {}) == ["waltz: a kind that the table does not know"]


def test_wherever_a_run_is_cut_off_the_journal_is_read_to_its_last_whole_line(broken):
    data = GOLDEN.read_bytes()
    first = data.index(b"\n") + 1
    for cut in range(first, len(data)):
        journal = read_journal(broken(data[:cut]))
        lines = data[:cut].count(b"\n")
        read = len(journal.records) + sum(len(s.t_ns) for s in journal.samples) + sum(journal.skipped.values())
        assert read == lines
        assert not journal.complete


def test_zeros_at_the_end_are_what_a_power_cut_leaves(broken):
    data = GOLDEN.read_bytes()
    cut = data[: data.rindex(b'{"k":"end"')]
    journal = read_journal(broken(cut + b"\0" * 300 + b"\n" + b"\0" * 12))
    assert not journal.complete
    assert journal.records[-1].kind == "unproven"


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"", "empty"),
        (b"\n", "empty"),
        (b"choreo: 1\n", "not JSON"),
        (b"[1]\n", "neither a record nor a sample"),
        (b'{"k":"end","t":0}\n', "first line is not the 'run' record"),
        (b'{"k":"run","t":0,"journal":1}\n', "the 'run' record has no 'choreo'"),
        (b'{"k":"run","t":0,"journal":2}\n', "up to version 1"),
        (b'{"k":"run","t":0,"journal":0}\n', "which never was"),
        (b'{"k":"run","t":0,"journal":"x"}\n', "should be a number"),
        (b'{"k":"run","t":0,"journal":true}\n', "should be a number"),
        (b'{"k":"run","t":null,"journal":1}\n', "no kind or no time"),
        (b"\xff\xfe\n", "not JSON"),
        (b"[" * 100_000 + b"\n", "not JSON"),
    ],
)
def test_what_is_no_journal_is_refused_in_one_sentence(broken, data, says):
    with pytest.raises(RecipeError, match=says) as caught:
        read_journal(broken(data))
    assert "\n" not in caught.value.headline


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ('["p",1,3,0,0]', ":2: lines 2 to 2 hold a sample"),  # three axes: 0 to 2
        ('["p",1,-1,0,0]', ":2: lines 2 to 2 hold a sample"),
        ('["p",1,0,0.5,0]', ":2: lines 2 to 2 hold a sample"),
        ('["q",1,0,0,0]', ":2: lines 2 to 2 hold a sample"),
        ('["p",1,0]', ":2: lines 2 to 2 hold a sample"),
        (f'["p",{2**63},0,0,0]', ":2: lines 2 to 2 hold a sample"),
        ('{"t":3}', ":2: the record has no kind"),
        ('{"k":"end","t":3,"outcome":"done","exit":0}', ":2: the 'end' record has no 'taken_ns'"),
        ("null", ":2: the line is neither"),
        ("}", ":2: the line is not JSON"),
    ],
)
def test_a_spoilt_line_is_named_by_its_number(broken, line, says):
    with pytest.raises(RecipeError, match=says):
        read_journal(broken((head() + line + "\n").encode()))


def test_a_run_record_whose_parts_are_incomplete_is_refused(broken):
    with pytest.raises(RecipeError, match="incomplete"):
        read_journal(broken(head(axes=[{"name": "near"}]).encode()))


def test_a_missing_file_is_said_plainly(tmp_path):
    with pytest.raises(RecipeError, match="No such file"):
        read_journal(tmp_path / "none.jsonl")


def test_an_unknown_axis_is_refused():
    with pytest.raises(RecipeError, match="'left'"):
        read_journal(GOLDEN).axis("left")


def test_old_versions_are_upgraded_step_by_step():
    def from_zero(record):
        return None if record["k"] == "gone" else record | {"k": record["k"].lower()}

    def from_one(record):
        return record | {"t": record["t"] * 1000}

    upgrade = upgrader(0, {0: from_zero, 1: from_one}, newest=2)
    assert upgrade({"k": "RUN", "t": 3}) == {"k": "run", "t": 3000}
    assert upgrade({"k": "gone", "t": 3}) is None
    assert upgrader(1, {0: from_zero, 1: from_one}, newest=2)({"k": "RUN", "t": 3}) == {"k": "RUN", "t": 3000}


def test_an_upgrade_is_applied_to_every_record_of_a_file(broken):
    text = head(journal=0) + '{"k":"gone","t":1}\n{"k":"OPERATOR","t":2,"what":"x"}\n["p",5,0,1,1]\n'

    def from_zero(record):
        return None if record["k"] == "gone" else record | {"k": record["k"].lower()}

    journal = read_journal(broken(text.encode()), upgrades={0: from_zero})
    assert [record.kind for record in journal.records] == ["run", "operator"]
    assert list(journal.samples[0].t_ns) == [5]


def test_many_samples_in_a_row_are_all_there(tmp_path):
    path = tmp_path / "journal.jsonl"
    path.write_text(head())
    rows = [(number * 1000, number % 3, number - 15_000, number % 700) for number in range(25_001)]
    with path.open("a") as stream, JournalWriter(None, stream) as journal:
        for row in rows:
            journal.sample(*row)
    read = read_journal(path).samples
    for axis in range(3):
        expected = [(t, counts, age) for t, index, counts, age in rows if index == axis]
        assert list(zip(read[axis].t_ns, read[axis].counts, read[axis].age_us, strict=True)) == expected


_i64 = st.integers(-(2**63), 2**63 - 1)


@given(st.lists(st.tuples(_i64, st.integers(0, 2), _i64, _i64)))
def test_what_was_sampled_is_read_back(tmp_path_factory, rows):
    path = tmp_path_factory.mktemp("samples") / "journal.jsonl"
    path.write_text(head())
    with path.open("a") as stream, JournalWriter(None, stream) as journal:
        for row in rows:
            journal.sample(*row)
    read = read_journal(path).samples
    for axis in range(3):
        assert [(t, c, a) for t, i, c, a in rows if i == axis] == list(
            zip(read[axis].t_ns, read[axis].counts, read[axis].age_us, strict=True)
        )
