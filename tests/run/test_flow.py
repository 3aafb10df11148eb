"""What a person is asked, faults that are reset, named parts: whole runs on the simulated gantry."""

import json
from io import StringIO

import pytest

from choreo.api import check, simulation_request
from choreo.errors import Exit
from choreo.journal.reader import read_journal_text
from choreo.journal.records import deviations
from choreo.journal.writer import JournalWriter
from choreo.link.port import Answer
from choreo.link.simulated import open_simulated
from choreo.report import summarise
from choreo.run.executor import execute, says_yes
from run.machine import GANTRY

MS = 1_000_000
HEAD = """\
choreo: 1
title: A test of flow
machine: machine.yaml
"""
CARRIAGE = """\
  - configure: {carriage: {speed: 80 mm/s, acceleration: 1500 mm/s^2, jerk: 15000 mm/s^3, quick_stop: 4000 mm/s^2}}
  - enable: carriage
"""
ASK = 'steps:\n  - dwell: 200 ms\n  - confirm: "The shelf is on the fork"\n    timeout: 5 s\n  - dwell: 100 ms\n'


class Rehearsal:
    """A recipe of a test's own on the gantry's simulated truth; `link` may be prepared before `go`."""

    def __init__(self, folder, body):
        machine = (GANTRY / "machine.yaml").read_text(encoding="utf-8")
        alone = machine.replace("homing_order: [lift, carriage, beam]\n", "")  # the carriage may be homed by itself
        assert alone != machine
        (folder / "machine.yaml").write_text(alone, encoding="utf-8")
        path = folder / "recipe.yaml"
        path.write_text(HEAD + body, encoding="utf-8")
        checked = check(path)
        assert checked.plan is not None, [found.headline for found in checked.findings]
        self.plan = checked.plan
        self.link = open_simulated(simulation_request(self.plan))

    def at(self, t_ns, what, arg=None):
        self.link.kernel.at(t_ns, lambda _: what(), arg)

    def types(self, t_ns, text):
        self.at(t_ns, lambda: self.link.post(Answer(text)))

    def go(self, **given):
        text = StringIO()
        self.outcome = execute(self.plan, self.link, JournalWriter(None, text), **({"operator": says_yes} | given))
        self.text = text.getvalue()
        return self

    def records(self, kind):
        found = [json.loads(line) for line in self.text.splitlines() if line.startswith("{")]
        for record in found:
            fields = {key: value for key, value in record.items() if key not in ("k", "t")}
            assert deviations(record["k"], fields) == []
        return [record for record in found if record["k"] == kind]


@pytest.fixture
def rehearse(tmp_path):
    return lambda body: Rehearsal(tmp_path, body)


def test_a_dry_run_answers_by_itself_and_says_so(rehearse):
    done = rehearse(ASK).go()
    assert done.outcome.exit is Exit.DONE
    asked, answer = done.records("operator")
    assert (asked["what"], asked["text"]) == ("asked", "The shelf is on the fork")
    assert (answer["what"], answer["text"], answer["by"]) == ("answer", "yes", "simulation")
    assert asked["t"] == answer["t"]


def test_only_yes_goes_on_and_what_was_typed_before_is_no_answer(rehearse):
    """An empty line, another word, a word typed too early: the answer that counts comes at 2.5 s."""
    made = rehearse(ASK)
    made.types(50 * MS, "yes")
    for t_ms, text in ((1000, ""), (1500, "y"), (2000, "yes please"), (2500, "  YES ")):
        made.types(t_ms * MS, text)
    done = made.go(operator=None)
    assert done.outcome.exit is Exit.DONE
    assert done.records("step_end")[1]["t"] // MS == 2500
    assert {record["by"] for record in done.records("operator") if record["what"] == "answer"} == {"operator"}


def test_no_stops_the_run_like_an_interrupt(rehearse):
    made = rehearse(ASK)
    made.types(1000 * MS, "no")
    done = made.go(operator=None)
    assert done.outcome.exit is Exit.OPERATOR
    assert done.outcome.rule == "not-confirmed"
    assert "The shelf is on the fork" in done.outcome.headline
    assert done.outcome.step.path == "2"
    assert len(done.records("at_rest")) == 4


def test_nobody_answers(rehearse):
    done = rehearse(ASK).go(operator=None)
    assert done.outcome.exit is Exit.STOPPED
    assert done.outcome.rule == "time-limit"
    begun = done.records("step_begin")[1]["t"]
    assert done.records("stopping")[0]["t"] == begun + 5000 * MS


def test_axes_are_watched_while_somebody_is_asked(rehearse):
    """practice.md P10 (common practice, no source): an axis that should stand and is pushed away is seen at once."""
    made = rehearse("steps:\n" + CARRIAGE + '  - confirm: "Go on"\n')
    carriage = made.link.machine.drives["carriage"].servo
    made.at(3000 * MS, lambda: carriage.trip("overcurrent"))
    done = made.go(operator=None)
    assert done.outcome.exit is Exit.STOPPED
    assert done.outcome.axis == "carriage"
    assert done.outcome.step.path == "3"


RESET = 'steps:\n  - reset_fault: {axes: [carriage, lift], confirm: "The jam is cleared"}\n' + CARRIAGE


def test_a_fault_is_reset_after_the_answer_and_not_before(rehearse):
    """practice.md P17 (common practice, no source). The drive that has no fault is left alone."""
    made = rehearse(RESET)
    made.link.machine.drives["carriage"].servo.fault = 1
    made.types(1000 * MS, "yes")
    done = made.go(operator=None)
    assert done.outcome.exit is Exit.DONE
    resets = [record for record in done.records("command") if record["verb"] == "reset fault"]
    assert [record["axis"] for record in resets] == ["carriage"]
    assert resets[0]["t"] > 1000 * MS
    assert made.link.machine.drives["carriage"].servo.fault == 0


def test_a_fault_that_is_not_reset_keeps_the_run_from_beginning(rehearse):
    made = rehearse("steps:\n" + CARRIAGE)
    made.link.machine.drives["carriage"].servo.fault = 1
    done = made.go()
    assert done.outcome.exit is Exit.STOPPED
    assert done.outcome.rule == "drive-fault"
    assert done.records("command")[-1]["verb"] != "reset fault"
    assert next(record for record in done.records("at_rest") if record["axis"] == "carriage")["fault"] == 1


def test_a_home_that_went_with_the_fault_stops_a_run_that_counts_on_it(rehearse):
    homed = "steps:\n" + CARRIAGE + "  - home: carriage\n"
    made = rehearse(homed + '  - reset_fault: {axes: carriage, confirm: "Freed"}\n  - enable: carriage\n')
    servo = made.link.machine.drives["carriage"].servo

    def loses_home(question):
        servo.homed = False
        return "yes"

    done = made.go(operator=loses_home)
    assert done.outcome.exit is Exit.STOPPED
    assert done.outcome.rule == "home-lost"
    assert not next(record for record in done.records("at_rest") if record["axis"] == "carriage")["home_valid"]


PARTS = (
    "steps:\n" + CARRIAGE + "  - home: carriage\n  - repeat: 2\n    steps:\n"
    "      - record: outer\n        steps:\n          - dwell: 100 ms\n          - record: inner\n            steps:\n"
    "              - move: {carriage: {by: 50 mm}}\n"
)


def test_named_parts_begin_and_end_around_their_steps(rehearse):
    done = rehearse(PARTS).go()
    assert done.outcome.exit is Exit.DONE
    kinds = ("scope_begin", "scope_end", "step_begin")
    lines = [json.loads(line) for line in done.text.splitlines() if line.startswith("{")]
    order = [(record["k"], record.get("name", record.get("step"))) for record in lines if record["k"] in kinds]
    each = [
        ("scope_begin", "outer"),
        None,
        ("scope_begin", "inner"),
        None,
        ("scope_end", "inner"),
        ("scope_end", "outer"),
    ]
    assert [None if kind == "step_begin" else (kind, name) for kind, name in order[3:]] == each * 2
    ends = done.records("scope_end")
    assert [record["path"] for record in ends] == ["4.1.2 (1 of 2)", "4.1 (1 of 2)", "4.1.2 (2 of 2)", "4.1 (2 of 2)"]
    steps = done.records("step_end")
    assert ends[0]["taken_ns"] == steps[4]["taken_ns"]
    assert ends[1]["taken_ns"] == steps[3]["taken_ns"] + steps[4]["taken_ns"]


def test_a_part_that_a_stop_ends_has_failed(rehearse):
    made = rehearse(PARTS)
    made.at(8_850 * MS, made.link.machine.axes["carriage"].stick)
    done = made.go()
    assert done.outcome.exit is Exit.STOPPED
    begun, ended = done.records("scope_begin"), done.records("scope_end")
    assert len(begun) == len(ended)
    assert [record["outcome"] for record in ended[-2:]] == ["failed", "failed"]


def test_the_report_has_the_figures_of_each_pass(rehearse):
    """The carriage rests at 2 mm after homing (machine.yaml), so two moves of 50 mm end at 52 and 102 mm."""
    done = rehearse(PARTS).go()
    rows = summarise(read_journal_text(done.text, "test")).scopes
    assert [(row.name, row.outcome) for row in rows] == [("outer", "done"), ("inner", "done")] * 2
    tracking = float(done.plan.axes[2].limits.tracking)
    for row, (low, high) in zip(rows[1::2], [(2, 52), (52, 102)], strict=True):
        (axis,) = row.axes
        assert (axis.axis, axis.unit) == ("carriage", "mm")
        assert (axis.lowest, axis.highest) == pytest.approx((low, high), abs=0.1)
        assert 0 <= axis.deviation < tracking
        assert row.pairs == ()


def test_power_is_taken_when_what_a_trigger_has_started_stands(tmp_path):
    """An axis without power is without control (practice.md P15, common practice, no source)."""
    body = (
        f"steps:\n{CARRIAGE}  - preload: {{carriage: {{by: 60 mm}}}}\n    speed: 20 mm/s\n  - trigger: carriage\n"
        "closing:\n  - disable: carriage\n"
    )
    rehearsal = Rehearsal(tmp_path, body)
    (dialect,) = rehearsal.plan.dialects.values()
    off_ns = []

    def tap(frame, t_ns, sender):
        said = dialect.decode(frame)
        if sender == "host" and said is not None and said.message == "disable" and not said.from_drive:
            off_ns.append(t_ns)

    rehearsal.link.bus.taps.append(tap)
    done = rehearsal.go()
    assert done.outcome.exit is Exit.DONE, done.outcome.headline
    (move,) = done.records("move")
    began_ns = rehearsal.link.kernel.now_ns - done.records("end")[0]["t"]
    assert len(off_ns) == 1
    assert off_ns[0] - began_ns > move["t0"] + move["duration_ns"]


def test_nobody_answers_for_a_person_unless_told_to(tmp_path):
    """A question that nobody answers ends the run when its time is up."""
    scene = Rehearsal(tmp_path, "steps:\n  - confirm: Nobody is near\n    timeout: 3 s\n")
    text = StringIO()
    outcome = execute(scene.plan, scene.link, JournalWriter(None, text))
    assert outcome.exit is Exit.STOPPED
    assert outcome.rule == "time-limit"
    assert [json.loads(line).get("by") for line in text.getvalue().splitlines() if '"operator"' in line] == [None]
