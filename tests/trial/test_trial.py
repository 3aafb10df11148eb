"""Whole trials: the same figures whatever the number of processes, figures that agree with single runs."""

import json
import signal
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from choreo.api import check, dry_run, simulation_request, trial
from choreo.cli import main
from choreo.diagnostic import Refused
from choreo.errors import Exit, RecipeError
from choreo.journal import read_journal
from choreo.link.simulated import open_simulated
from choreo.trial.rehearsal import Job, perform, rehearse, seed_of, worker
from choreo.trial.words import trial_json

ROOT = Path(__file__).parents[2]
SLIDES = ROOT / "tests" / "live" / "two_slides.yaml"
FAULTS = Path(__file__).with_name("faults.yaml")
RUNS = 24


@pytest.fixture(scope="module")
def plan():
    return check(SLIDES).plan


@pytest.fixture(scope="module")
def endings(plan):
    """The runs one by one, in this process."""
    return [rehearse(plan, simulation_request(plan, faults=FAULTS), seed_of(3, number)) for number in range(RUNS)]


def figures(jobs, **more):
    found = trial(SLIDES, runs=RUNS, jobs=jobs, seed=3, faults=FAULTS, **more)
    return trial_json(found.trial, str)


def test_the_figures_are_the_same_whatever_the_number_of_processes():
    one, two, three = (figures(jobs) for jobs in (1, 2, 3))
    assert one == two == three
    assert len(json.loads(one)["endings"]) > 3


def test_the_figures_are_those_of_the_single_runs(endings):
    found = trial(SLIDES, runs=RUNS, jobs=2, seed=3, faults=FAULTS).trial
    tally = found.tally
    assert tally.runs == RUNS == sum(group.runs for group in tally.groups.values())
    for group in tally.groups.values():
        key = (group.exit, group.rule, group.axis, group.step)
        alike = [ending for ending in endings if (ending.exit, ending.rule, ending.axis, ending.step) == key]
        assert len(alike) == group.runs
        assert alike[0].seed == group.seed
        assert alike[0].headline == group.headline
        assert sum(bool(ending.unproven) for ending in alike) == group.unproven
    for name, axis in tally.stopping.items():
        stops = [(stop, ending.seed) for ending in endings for stop in ending.stops if stop.axis == name]
        assert axis.stops == len(stops)
        assert axis.true is not None
        assert axis.true.value == max(stop.true for stop, _ in stops)
        assert axis.true.seed == min(seed for stop, seed in stops if stop.true == axis.true.value)
    ratios = {}
    for ending in endings:
        for step in ending.steps:
            ratios[step.path] = max(ratios.get(step.path, 0), step.taken_ns / step.timeout_ns)
    assert {path: closest.ratio for path, closest in tally.closest.items()} == ratios
    assert tally.quiet == sum(not ending.faults for ending in endings)


def test_a_run_of_a_trial_is_the_dry_run_with_its_seed(plan, tmp_path):
    """Journals byte for byte: the truth that a trial asks for changes nothing."""
    for number in range(4):
        seed = seed_of(3, number)
        link = open_simulated(replace(simulation_request(plan, faults=FAULTS), seed=seed))
        text = perform(plan, link, seed).text
        alone = dry_run(SLIDES, seed=seed, faults=FAULTS, out=tmp_path / str(seed))
        assert alone.folder.journal.read_text(encoding="utf-8") == text


def test_seeds_of_trials_do_not_meet():
    assert seed_of(0, 999_999) + 1 == seed_of(1, 0)


def test_true_stopping_distances_agree_with_what_was_seen(endings):
    """
    The last reading before a stop is at most one poll older than the stop, 20 ms at 10 mm/s: 0.2 mm, and two counts of
    noise at 19660.8 counts per mm (65536 * 3 / 10).
    """
    stops = [stop for ending in endings for stop in ending.stops if stop.proven and "noise_spike" not in ending.faults]
    assert len(stops) > 4
    for stop in stops:
        assert stop.true is not None
        assert stop.seen is not None
        assert abs(stop.true - stop.seen) < 0.2 + 8 / 19660.8


def test_the_recipe_is_refused_before_any_process_starts():
    with pytest.raises(Refused):
        trial(ROOT / "recipes" / "kiln_gantry" / "too_fast.yaml", runs=2, jobs=2)


def test_faults_that_do_not_fit_are_refused_at_once(tmp_path):
    file = tmp_path / "faults.yaml"
    file.write_text("faults:\n  - {kind: silent_node, node: nobody, at: 1 s}\n")
    with pytest.raises(RecipeError, match="nobody"):
        trial(SLIDES, runs=2, jobs=2, faults=file)


def test_a_recipe_that_changes_meanwhile_is_refused(plan):
    job = Job(SLIDES, {}, 1, {**plan.hashes, "other": "0"}, simulation_request(plan), 0)
    with pytest.raises(RecipeError, match="changed during the trial"):
        worker(job)


def test_what_is_kept(tmp_path):
    out = tmp_path / "kept"
    found = trial(SLIDES, runs=6, jobs=2, seed=3, faults=FAULTS, out=out)
    kept = json.loads((out / "trial.json").read_text(encoding="utf-8"))
    assert kept["runs"] == 6
    assert found.folders
    assert {folder.parent for folder in found.folders} == {out}
    by_seed = {group.seed: group for group in found.trial.tally.groups.values()}
    assert {f"seed-{seed}" for seed in by_seed} <= {folder.name for folder in found.folders}
    for seed, group in by_seed.items():
        journal = read_journal(out / f"seed-{seed}" / "journal.jsonl")
        assert journal.run.fields["seed"] == seed
        assert next(journal.of("end")).fields["exit"] == group.exit
    again = trial(SLIDES, runs=6, jobs=1, seed=3, faults=FAULTS, out=out)  # the folder of an earlier trial
    assert again.folders == found.folders


def test_a_foreign_folder_is_left_alone(tmp_path):
    (tmp_path / "letter.txt").write_text("Dear all")
    with pytest.raises(RecipeError, match="no figures of a trial"):
        trial(SLIDES, runs=1, out=tmp_path)
    assert [file.name for file in tmp_path.iterdir()] == ["letter.txt"]


# --- the command -----------------------------------------------------------------------------------------------------


def test_the_command_prints_tables_and_commands(capsys, monkeypatch):
    monkeypatch.setenv("COLUMNS", "120")
    assert main(["trial", str(SLIDES), "--runs", "5", "--jobs", "2", "--seed", "3", "--faults", str(FAULTS),
                 "--set", "stroke=9 mm"]) == Exit.DONE  # fmt: skip
    out = capsys.readouterr().out
    assert "5 runs, seeds 3000000 to 3000004" in out
    assert f"  choreo dry-run {SLIDES} --set 'stroke=9 mm' --faults {FAULTS} --seed 3000000" in out
    assert "Timeouts: the steps that were done and came closest to theirs" in out
    assert out.rstrip().splitlines()[-1].startswith("5 runs: ")


def test_the_command_prints_json(capsys):
    assert main(["trial", str(SLIDES), "--runs", "2", "--jobs", "1", "--format", "json"]) == Exit.DONE
    found = json.loads(capsys.readouterr().out)
    assert (found["runs"], found["exit"], found["without_a_fault_acting"]) == (2, 0, 2)
    assert [ending["runs"] for ending in found["endings"]] == [2]


@pytest.mark.parametrize(
    "words", [["--runs", "0"], ["--runs", "1000001"], ["--jobs", "0"], ["--seed", "1000000000000"]]
)
def test_numbers_out_of_range(words, capsys):
    assert main(["trial", str(SLIDES), *words]) == Exit.REFUSED
    assert words[0] in capsys.readouterr().err


@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM"])
def test_an_interrupt_ends_it_with_what_is_known(name, tmp_path):
    """The signal comes when the third run is known, by a hook on the progress; far from all runs are made."""
    script = tmp_path / "trial.py"
    script.write_text(
        "import os, signal, sys\n"
        "from choreo.cli import main, trial\n"
        "def progress(runs):\n"
        "    def look(tally):\n"
        f"        if tally.runs == 3: os.kill(os.getpid(), signal.{name})\n"
        "    return look\n"
        "if __name__ == '__main__':\n"
        "    trial._progress = progress\n"
        f"    sys.exit(main(['trial', {str(SLIDES)!r}, '--runs', '100000', '--jobs', '2']))\n"
    )
    done = subprocess.run([sys.executable, str(script)], capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == Exit.OPERATOR, done.stderr
    assert done.stdout.rstrip().splitlines()[-1].startswith("interrupted after 3 of 100000 runs: 3 done")
    assert "Traceback" not in done.stderr


def test_ctrl_c_at_a_terminal_reaches_the_whole_group_and_ends_cleanly(tmp_path):
    """Workers get the signal as well, as they do from a terminal: none of them says a word."""
    script = tmp_path / "trial.py"
    script.write_text(
        "import os, signal, sys\n"
        "from choreo.cli import main, trial\n"
        "def progress(runs):\n"
        "    return lambda tally: os.killpg(0, signal.SIGINT) if tally.runs == 2 else None\n"
        "if __name__ == '__main__':\n"
        "    trial._progress = progress\n"
        f"    sys.exit(main(['trial', {str(SLIDES)!r}, '--runs', '100000', '--jobs', '3']))\n"
    )
    done = subprocess.run(
        [sys.executable, str(script)], capture_output=True, text=True, timeout=120, check=False, start_new_session=True
    )
    assert done.returncode == Exit.OPERATOR, done.stderr
    assert done.stderr == ""
    assert "interrupted after 2 of 100000 runs" in done.stdout


def test_the_signals_are_as_before_afterwards():
    before = signal.getsignal(signal.SIGINT)
    assert main(["trial", str(SLIDES), "--runs", "1", "--jobs", "1"]) == Exit.DONE
    assert signal.getsignal(signal.SIGINT) is before
