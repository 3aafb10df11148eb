"""The whole summary of a journal, as data, as JSON and as text."""

import json
from pathlib import Path

import pytest

from choreo.journal import read_journal
from choreo.report import report_lines, summarise, summary_json
from choreo.report.starts import AxisStart, Start
from choreo.report.stops import stop_of
from choreo.report.text import delays, plain_step, result_line, what

GOLDEN = Path(__file__).parents[1] / "golden" / "journal_v1.jsonl"


@pytest.fixture
def golden():
    return summarise(read_journal(GOLDEN))


@pytest.fixture
def cut(tmp_path):
    """The golden journal, broken off before a text."""

    def make(before):
        path = tmp_path / "journal.jsonl"
        text = GOLDEN.read_text()
        path.write_text(text[: text.index(before)])
        return summarise(read_journal(path))

    return make


def test_steps_have_what_they_took_and_what_was_left(golden):
    rows = golden.steps
    assert [row.outcome for row in rows] == ["done", "done", "failed", "not reached"]
    assert [row.taken_ns for row in rows] == [910_000_000, 4_010_000_000, 1_450_000_000, None]
    assert [row.slack_ns for row in rows] == [1_440_000_000, 2_990_000_000, 2_550_000_000, None]
    assert [row.polls for row in rows] == [0, 400, 140, None]
    assert golden.predicted_ns == 6_910_000_000
    assert golden.taken_ns == 6_710_000_000


def test_the_stop_says_of_every_axis_what_practice_p17_asks(golden):
    stop = golden.stop
    assert (stop.rule, stop.exit, stop.step, stop.axis) == ("node-silent", 3, "3", "far")
    near, far = stop.axes
    assert (near.proven, near.position, near.counts, near.load) == (True, 99.9995, 273_066, "empty")
    assert (near.energised, near.home_valid) == (True, True)
    assert (far.proven, far.position, far.energised, far.load) == (False, None, None, "unknown")
    assert stop.unheard == ("tilt",)


def test_losses_and_late_replies_are_counted_by_axis(golden):
    assert golden.lost == {"far": 1}
    assert golden.late == {"far": 1}
    assert [finding.rule for finding in golden.findings] == ["node-silent"]
    assert golden.findings[0].step == "3"


def test_skew_that_grew_while_the_axes_were_stopping_is_said_to_be_after_the_stop(recorded):
    def fill(journal):
        for t_ms in range(0, 2000, 20):
            journal.sample(t_ms * 1_000_000, 0, 0 if t_ms < 1000 else 24576, 400)  # 5 mm
            journal.sample(t_ms * 1_000_000 + 500_000, 1, 0, 400)
        journal.write("stopping", 900_000_000, cause="stuck", rule="r", exit=3, step=None, axis="right")
        journal.write("end", 2_000_000_000, outcome="stopped", exit=3, taken_ns=2_000_000_000)

    (line,) = [line for line in report_lines(summarise(recorded(fill)), 200) if line.startswith("Skew of beam")]
    assert line == "Skew of beam: at most 5 mm (give or take 0 mm), at 1.000 s after the stop; stops at 1.5 mm"


def test_a_run_that_was_not_stopped_has_no_stop(recorded):
    assert stop_of(recorded(lambda journal: journal.write("end", 1, outcome="done", exit=0, taken_ns=1))) is None


def test_a_cut_off_run_says_so_and_counts_what_there_is(cut):
    summary = cut('{"k":"step_end","t":6400000000')
    assert not summary.complete
    assert summary.exit is None
    assert [row.outcome for row in summary.steps] == ["done", "done", "cut off", "not reached"]
    text = "\n".join(report_lines(summary, 80))
    assert "look at the machine before anything else" in " ".join(text.split())
    assert text.endswith("cut off after 6.400 s")


def test_an_axis_that_the_journal_leaves_out_is_not_proven(cut):
    text = "\n".join(report_lines(cut('{"k":"unproven"'), 100))
    assert "far: NOT PROVEN at rest" in text
    assert "near: at rest, at 99.9995 mm, under power, home valid, load empty." in text


def test_every_report_says_what_motor_encoders_cannot_see_and_the_cautions(golden):
    """Practice.md P33 (common practice, no source)."""
    text = " ".join(" ".join(report_lines(golden, 60)).split())
    assert "neither backlash, nor belt stretch, nor a racked beam" in text
    assert "replaces neither the emergency stop nor the safety functions" in text
    assert "simulated bus in virtual time" in text


@pytest.mark.parametrize(
    ("changes", "says"),
    [({"simulated": None}, True), ({"simulated": "kiln_gantry"}, False), ({}, False), ({"mode": "live"}, False)],
)
def test_a_machine_derived_from_the_recipe_cannot_reveal_a_wrong_scale(recorded, changes, says):
    remarks = " ".join(summarise(recorded(lambda journal: None, **changes)).remarks)
    assert ("cannot reveal a wrong scale" in remarks) is says


def test_a_live_run_is_not_called_simulated(recorded):
    assert "simulated" not in " ".join(summarise(recorded(lambda journal: None, mode="live")).remarks)


def test_the_json_holds_the_same_and_keeps_exact_numbers_exact(golden):
    data = json.loads(summary_json(golden))
    assert data["summary"] == 1
    assert data["steps"][0]["slack_ns"] == 1_440_000_000
    assert data["steps"][1]["step"]["label"] == "find zero"
    assert data["pairs"][0]["pair"]["trip"] == "1.5"
    assert data["starts"][0]["spread_ns"] is None
    assert data["links"][0]["bound_percent"] == 5.81551  # facts.md H9: 1 - 0.05^(1/50)
    assert data["stop"]["axes"][1]["next_action"] == "Look at it before anything else."
    assert data["exit"] == 3


def test_the_text_has_a_row_a_step_and_ends_with_the_result(golden):
    lines = list(report_lines(golden, 120))
    squeezed = [" ".join(line.split()) for line in lines]
    assert squeezed[1] == "step what predicted taken slack polls reply outcome"
    assert squeezed[3] == "1 link_check 0.900 0.910 1.440 0 1.19 done"
    assert squeezed[4] == "2 home: find zero 4.000 4.010 2.990 400 1.21 done"
    assert squeezed[6] == "closing 1 disable 0.010 not reached"
    end = "stopped: far has left 3 requests in a row unanswered, for 60 ms (after 6.710 s, exit code 3)"
    assert lines[-1] == end
    assert "requests without a reply: far 1" in lines


@pytest.mark.parametrize("width", [60, 80, 100])
def test_tables_and_remarks_keep_to_the_width(golden, width):
    for line in report_lines(golden, width):
        assert len(line) <= width, line


@pytest.mark.parametrize("width", [1, 20, 40])
def test_a_very_narrow_terminal_gets_a_report_all_the_same(golden, width):
    assert any("failed" in line for line in report_lines(golden, width))


@pytest.mark.parametrize(
    ("code", "outcome", "says"),
    [
        (0, "done", "done: 3.000 s taken, 6.160 s predicted"),
        (1, "left stands at 3 mm", "failed: left stands at 3 mm (after 3.000 s, exit code 1)"),
        (130, "Ctrl-C", "stopped: Ctrl-C (after 3.000 s, exit code 130)"),
    ],
)
def test_the_result_is_one_line(recorded, code, outcome, says):
    def fill(journal):
        if code:
            journal.write("stopping", 2_000_000_000, cause=outcome, rule="r", exit=code, step=None, axis=None)
        how = "stopped" if code else "done"
        journal.write("end", 3_000_000_000, outcome=how, exit=code, taken_ns=3_000_000_000)

    assert result_line(summarise(recorded(fill))) == says


def test_a_label_that_begins_with_its_verb_stands_for_both():
    assert what("expect", "expect lift") == "expect lift"
    assert what("move", "Lift up") == "move: Lift up"
    assert what("dwell", "") == "dwell"


def test_only_what_was_started_together_is_listed(recorded):
    def fill(journal):
        for step, axes in ((1, ["left", "right"]), (2, ["left"]), (2, ["left", "lift"])):
            journal.write("step_begin", 0, step=step)
            journal.write("trigger", step, axes=axes, frame="", started_ns=step)
            for axis in axes:
                journal.write(
                    "move",
                    step,
                    axis=axis,
                    anchor_counts=0,
                    t0=step,
                    from_counts=0,
                    distance=0,
                    speed=1,
                    acceleration=1,
                    jerk=None,
                )
            journal.write("step_end", step, step=step, outcome="done", taken_ns=1, polls=0, worst_reply_ns=None)
        journal.write("end", 9, outcome="done", exit=0, taken_ns=9)

    lines = list(report_lines(summarise(recorded(fill)), 100))
    assert sum("left -" in line for line in lines) == 1  # neither the homing step's nor the single axis


def test_a_step_that_ends_is_one_line_that_cannot_steer_the_terminal():
    fields = {"outcome": "done", "taken_ns": 1_234_000_000, "worst_reply_ns": 820_000}
    line = plain_step("9.3 (2 of 5)", "move", "up\x1b[2J", fields)
    assert line == "step 9.3 (2 of 5)  move: up\\x1b[2J  done in 1.234 s, worst reply 0.82 ms"
    assert plain_step("1", "dwell", "", fields | {"worst_reply_ns": None}) == "step 1  dwell  done in 1.234 s"


def test_of_many_axes_that_were_left_alike_what_is_common_is_said_once(recorded):
    names = [f"axis_{number}" for number in range(1, 9)]
    axes = [
        {"name": name, "node": node, "unit": "mm", "counts_per_unit": 10, "pair": None}
        for node, name in enumerate(names, 1)
    ]

    def fill(journal):
        journal.write("stopping", 1_000, cause="silence", rule="silent", exit=3, step=0, axis=None)
        for number, name in enumerate(names):
            alike = {"counts": number, "energised": True, "home_valid": True, "load": "empty", "next": "Look."}
            kind = "unproven" if name == "axis_3" else "at_rest"
            journal.write(kind, 2_000, axis=name, position=number, **alike)

    lines = report_lines(summarise(recorded(fill, axes=axes, pairs=[])), 100)
    said = " ".join(line.strip() for line in lines)
    assert "7 axes: at rest, under power, home valid, load empty. Look. axis_1 at 0 mm, axis_2 at 1 mm, axis_4" in said
    assert said.count("under power") == 2
    assert "axis_3: NOT PROVEN at rest, at 2 mm, under power, home valid, load empty. Look." in said


def test_of_many_axes_that_were_started_together_the_first_and_the_last_are_told():
    seen = tuple(AxisStart(f"axis_{number}", number * 100_000, 0, 3) for number in (4, 2, 7, 1, 3, 6, 5))
    assert delays(Start("3", 0, seen)) == "7 axes: first axis_1 0.1, last axis_7 0.7"
    assert delays(Start("3", 0, seen[:2])) == "axis_4 0.4, axis_2 0.2"
