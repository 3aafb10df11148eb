"""What inputs decided, from a journal alone."""

import io
from dataclasses import replace
from pathlib import Path

import pytest

from choreo.journal import JournalWriter, read_journal
from choreo.report import report_lines, summarise
from choreo.report.inputs import ended_by_input, until_rows, wait_rows
from choreo.report.stops import stop_of

GOLDEN = Path(__file__).parents[1] / "golden" / "journal_v1.jsonl"


@pytest.fixture(scope="module")
def golden():
    return read_journal(GOLDEN)


def test_a_move_that_an_input_ended_is_a_row(golden):
    (row,) = until_rows(golden)
    assert (row.step, row.axis, row.unit, row.input, row.level) == ("3", "near", "mm", "probe", "on")
    assert (row.seen, row.give, row.rest) == (99.95, 0.1, 99.9995)
    assert ended_by_input(golden) == {"near": [6_300_000_000]}


def test_a_wait_is_a_row(golden):
    (row,) = wait_rows(golden)
    assert (row.step, row.input, row.level, row.after_ns) == ("3", "clamped", "on", 1_000_000)


def test_the_report_says_both_and_how_outputs_were_left(golden):
    text = " ".join(" ".join(report_lines(summarise(golden), 120)).split())
    assert "3 near probe on 99.950 mm 0.100" in text
    assert "Step 3 waited 0.001 s until clamped was on" in text
    assert "output clamp on" in text


def test_a_way_that_ended_without_the_input_says_so(golden):
    summary = summarise(golden)
    (row,) = summary.untils
    missed = replace(summary, untils=(replace(row, seen=None, give=None),))
    assert "did not come" in "\n".join(report_lines(missed, 120))


def test_outputs_are_of_the_axis_whose_drive_has_them(golden):
    stop = stop_of(golden)
    assert stop is not None
    assert {axis.axis: dict(axis.outputs) for axis in stop.axes} == {"near": {}, "far": {"clamp": "on"}}


@pytest.mark.parametrize(("simulated", "inputs", "said"), [(None, 1, True), (None, 0, False), ("gantry", 1, False)])
def test_a_nominal_machine_with_inputs_says_that_it_invents_them(golden, tmp_path, simulated, inputs, said):
    text = io.StringIO()
    writer = JournalWriter(None, text)
    writer.write("run", 0, **{**golden.run.fields, "simulated": simulated})
    for _ in range(inputs):
        writer.write("input", 1, name="guard", axis="near", level="on")
    writer.write("end", 2, outcome="done", exit=0, taken_ns=2)
    path = tmp_path / "journal.jsonl"
    path.write_text(text.getvalue(), encoding="utf-8")
    remarks = " ".join(summarise(read_journal(path)).remarks)
    assert ("no machine behind its inputs" in remarks) is said
