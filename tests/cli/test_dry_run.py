"""`choreo dry-run`: its output, its run folder, its exit codes, and how it is broken off."""

import errno
import io
import json
import signal
import sys
from contextlib import contextmanager
from pathlib import Path

import pytest

from choreo import api, report
from choreo.cli import lines, main
from choreo.cli.interrupts import interrupts_to
from choreo.journal import deviations, read_journal
from choreo.link.port import Interrupt

FOLDER = Path("runs/nudge-the-test-shelf")


def journal():
    return read_journal(FOLDER / "journal.jsonl")


def as_documented(read):
    """Every record of a journal is as the table of records says."""
    return [text for record in read.records for text in deviations(record.kind, record.fields)] == []


def test_a_run_prints_a_line_a_step_the_table_the_result_and_the_folder(recipe, capsys):
    assert main(["dry-run", "shelf.yaml"]) == 0
    out, err = capsys.readouterr()
    rows = out.splitlines()
    assert rows[0].startswith("dry-run of Nudge the test shelf, seed 0: 9 steps, ")
    ended = [row for row in rows if row.startswith("step ") and " done in " in row]
    assert [row.split("  ")[0] for row in ended] == [
        "step 1",
        "step 2",
        "step 3",
        "step 4",
        "step 5.1 (1 of 2)",
        "step 5.2 (1 of 2)",
        "step 5.1 (2 of 2)",
        "step 5.2 (2 of 2)",
        "step closing 1",
    ]
    assert any(row.startswith("done: ") for row in rows)
    assert rows[-1] == f"run folder: {FOLDER}"
    assert err == ""


def test_the_run_folder_has_the_journal_the_trace_and_the_summary(recipe):
    assert main(["dry-run", "shelf.yaml", "--quiet"]) == 0
    assert sorted(path.name for path in FOLDER.iterdir()) == ["journal.jsonl", "summary.json", "trace.log"]
    summary = json.loads((FOLDER / "summary.json").read_text())
    assert summary["exit"] == 0
    assert [step["outcome"] for step in summary["steps"]] == ["done"] * 9
    trace = (FOLDER / "trace.log").read_text().splitlines()
    assert all(" can0 " in line for line in trace)
    assert len(trace) > 100


def test_every_record_is_as_the_table_of_records_says(recipe):
    assert main(["dry-run", "shelf.yaml", "--quiet"]) == 0
    read = journal()
    assert as_documented(read)
    assert read.skipped == {}
    assert read.complete


def test_quiet_prints_the_result_alone(recipe, capsys):
    assert main(["dry-run", "shelf.yaml", "--quiet"]) == 0
    (line,) = capsys.readouterr().out.splitlines()
    assert line.startswith("done: ")


def test_the_same_inputs_give_the_same_run_and_another_seed_other_noise(recipe):
    def run(out, *words):
        assert main(["dry-run", "shelf.yaml", "--quiet", "--out", out, *words]) == 0
        return [(Path(out) / name).read_bytes() for name in ("journal.jsonl", "trace.log", "summary.json")]

    first = run("one")
    assert run("two") == first
    assert run("three", "--seed", "5")[0] != first[0]


def test_a_folder_of_an_earlier_run_is_used_again(recipe):
    for seed in ("1", "2"):
        assert main(["dry-run", "shelf.yaml", "--quiet", "--seed", seed]) == 0
    assert journal().run.fields["seed"] == 2


def test_a_foreign_folder_is_refused_and_untouched(recipe, capsys):
    Path("mine").mkdir()
    Path("mine/notes.txt").write_text("mine")
    assert main(["dry-run", "shelf.yaml", "--out", "mine"]) == 2
    assert "no journal of a run" in capsys.readouterr().err
    assert [path.name for path in Path("mine").iterdir()] == ["notes.txt"]


def test_a_refused_recipe_sends_nothing_and_leaves_nothing(too_fast, capsys):
    assert main(["dry-run", "fast.yaml"]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert "90 mm/s" in err
    assert not Path("runs").exists()


def test_a_nominal_machine_cannot_reveal_a_wrong_scale_and_says_so(recipe, capsys):
    assert main(["dry-run", "shelf.yaml"]) == 0
    assert "cannot reveal a wrong scale" in " ".join(capsys.readouterr().out.split())


def test_a_fault_stops_the_run_with_its_code_axis_and_step(recipe, capsys):
    Path("faults.yaml").write_text("faults:\n  - {kind: silent_node, node: shelf, at: 1 s}\n")
    code = main(["dry-run", "shelf.yaml", "--faults", "faults.yaml"])
    out = capsys.readouterr().out
    read = journal()
    stopping = next(read.of("stopping"))
    assert code == stopping.fields["exit"] == next(read.of("end")).fields["exit"]
    assert code in (3, 4)  # the only node of this bus is lost: the machine, or the link
    assert "stopping all axes: " in out
    assert stopping.fields["cause"] in out.replace("\n", " ")
    assert "shelf: NOT PROVEN at rest" in out
    assert as_documented(read)


@pytest.mark.parametrize("text", ["faults: 3\n", "", "faults:\n  - {kind: earthquake}\n"])
def test_a_bad_fault_file_is_refused_before_anything_is_made(recipe, capsys, text):
    Path("faults.yaml").write_text(text)
    assert main(["dry-run", "shelf.yaml", "--faults", "faults.yaml"]) == 2
    assert "faults.yaml" in capsys.readouterr().err
    assert not Path("runs").exists()


class AtStep:
    """Watches a run, and does something when a step begins."""

    sample = None

    def __init__(self, step, act):
        self.step = step
        self.act = act

    def record(self, kind, t_ns, fields):
        if kind == "step_begin" and fields["step"] == self.step:
            self.act()


def test_a_signal_during_the_run_is_a_stop_by_the_operator(recipe):
    @contextmanager
    def attend(link):
        with interrupts_to(link):
            yield AtStep(4, lambda: signal.raise_signal(signal.SIGINT))

    before = signal.getsignal(signal.SIGINT)
    result = api.dry_run("shelf.yaml", attend=attend)
    assert signal.getsignal(signal.SIGINT) is before
    assert result.outcome.exit == 130
    read = journal()
    assert [record.fields["what"] for record in read.of("operator")] == ["Ctrl-C"]
    assert next(read.of("stopping")).fields["step"] == 4
    assert [record.fields["axis"] for record in read.of("at_rest")] == ["shelf"]
    assert read.complete
    assert as_documented(read)


@pytest.mark.parametrize("name", ["SIGTERM", "SIGHUP"])
def test_being_asked_to_end_is_a_stop_too(recipe, name):
    number = getattr(signal, name, None)
    if number is None:
        pytest.skip(f"this system has no {name}")

    @contextmanager
    def attend(link):
        with interrupts_to(link):
            yield AtStep(4, lambda: signal.raise_signal(number))

    assert api.dry_run("shelf.yaml", attend=attend).outcome.exit == 130
    assert name in next(journal().of("operator")).fields["what"]


def test_a_signal_that_is_ignored_stays_ignored():
    before = signal.signal(signal.SIGTERM, signal.SIG_IGN)
    try:
        with interrupts_to(None):
            assert signal.getsignal(signal.SIGTERM) is signal.SIG_IGN
    finally:
        signal.signal(signal.SIGTERM, before)


class ClosedAfter(io.StringIO):
    """Output whose reader goes away after so many lines."""

    def __init__(self, lines):
        super().__init__()
        self.left = lines

    def write(self, text):
        if not self.left:
            raise BrokenPipeError(errno.EPIPE, "Broken pipe")
        self.left -= text.count("\n")
        return super().write(text)


@pytest.mark.parametrize("lines", [0, 3])
def test_output_that_is_closed_stops_the_run_properly(recipe, monkeypatch, lines):
    with monkeypatch.context() as patched:
        patched.setattr(sys, "stdout", ClosedAfter(lines))
        assert main(["dry-run", "shelf.yaml"]) == 130
    read = journal()
    assert [record.fields["what"] for record in read.of("operator")] == ["the output was closed"]
    assert read.complete


def test_lines_are_printed_until_the_output_is_gone_and_its_loss_is_said_once():
    gone = []
    watch = lines.PlainLines(ClosedAfter(1), lambda: gone.append(Interrupt("closed")))
    for _ in range(4):
        watch.record("finding", 0, {"headline": "h", "level": "error"})
    assert len(gone) == 1


def test_a_bug_of_ours_says_so_with_a_crash_file_and_blames_nobody(recipe, capsys, monkeypatch):
    def broken(*_):
        raise ZeroDivisionError("division by zero")

    monkeypatch.setattr(report, "summarise", broken)
    assert main(["dry-run", "shelf.yaml"]) == 70
    err = capsys.readouterr().err
    assert "a bug in choreo, not in the recipe or the machine: ZeroDivisionError: division by zero" in err
    assert "choreo 0." in err
    assert "Traceback" not in err
    crash = Path(err.split("with the file ")[1].strip())
    try:
        text = crash.read_text()
    finally:
        crash.unlink()
    assert "Traceback" in text
    assert "pydantic" in text
    assert "shelf.yaml" in text


def test_a_bug_inside_the_run_leaves_its_crash_file_in_the_run_folder(recipe, capsys, monkeypatch):
    from choreo.plan import model
    from choreo.run import executor

    def broken(run, action):
        raise RuntimeError("lost my way")

    monkeypatch.setitem(executor.STEPS, model.Enable, broken)
    assert main(["dry-run", "shelf.yaml"]) == 70
    err = capsys.readouterr().err
    assert str(FOLDER / "crash.txt") in err
    assert "RuntimeError: lost my way" in (FOLDER / "crash.txt").read_text()
    assert next(journal().of("end")).fields["exit"] == 70


def test_a_failed_expectation_is_exit_code_1(recipe, capsys):
    text = recipe.read_text().replace("closing:", "  - move: {shelf: {by: 1 mm}}\n    label: off\nclosing:", 1)
    recipe.write_text(text)
    assert main(["dry-run", "shelf.yaml", "--quiet"]) == 0
    from choreo.errors import ExpectationFailed
    from choreo.plan import model
    from choreo.run import executor

    def disappointed(run, action):
        raise ExpectationFailed("shelf stands at 6 mm and 5 mm was expected", axis="shelf")

    patch = pytest.MonkeyPatch()
    with patch.context() as patched:
        patched.setitem(executor.STEPS, model.Move, disappointed)
        assert main(["dry-run", "shelf.yaml", "--quiet"]) == 1
    assert capsys.readouterr().out.splitlines()[-1].startswith("failed: shelf stands at 6 mm")
