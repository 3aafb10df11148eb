"""
After a stopped run: what a retreat goes on from, and what it refuses (practice.md P17, common practice, no source).
"""

import json
from dataclasses import replace

import pytest

from choreo.api import check_retreat, dry_run, retreat, simulation_request
from choreo.diagnostic import Level, Refused
from choreo.errors import Exit, RecipeError
from choreo.journal.writer import JournalWriter
from choreo.link.simulated import open_simulated
from choreo.run.executor import execute, says_yes
from run.machine import GANTRY

RECIPE = """\
choreo: 1
title: Stopped on its way
machine: machine.yaml
sequences:
  out:
    after_stop: true
    steps:
      - reset_fault: {axes: all, confirm: "Nobody is near, the cause is found"}
      - configure:
          carriage: {speed: 80 mm/s, acceleration: 1500 mm/s^2, jerk: 15000 mm/s^3, quick_stop: 4000 mm/s^2}
      - enable: carriage
      - move: {carriage: {by: 40 mm, speed: 40 mm/s}}
  park:
    after_stop: true
    steps:
      - confirm: "Nobody is near"
      - configure:
          carriage: {speed: 80 mm/s, acceleration: 1500 mm/s^2, jerk: 15000 mm/s^3, quick_stop: 4000 mm/s^2}
      - enable: carriage
      - move: {carriage: {to: 900 mm, speed: 40 mm/s}}
  look: {steps: [{dwell: 1 s}]}
steps:
  - call: look
  - configure:
      carriage: {speed: 500 mm/s, acceleration: 1500 mm/s^2, jerk: 15000 mm/s^3, quick_stop: 4000 mm/s^2}
  - enable: carriage
  - home: carriage
  - move: {carriage: {to: 800 mm}}
  - confirm: "Go on"
"""
CLOSING = "closing:\n  - disable: all\n"
#: Into the middle of the move to 800 mm, from 2 mm at 500 mm/s.
STALLED = "title: It sticks\nfaults:\n  - {kind: stalled_axis, node: carriage, at: %s}\n"


class Scene:
    """A recipe and its machine in a folder of a test's own, runs beside it."""

    def __init__(self, folder):
        self.folder = folder
        machine = (GANTRY / "machine.yaml").read_text(encoding="utf-8")
        self.write("machine.yaml", machine.replace("homing_order: [lift, carriage, beam]\n", ""))
        self.recipe = self.write("recipe.yaml", RECIPE + CLOSING)

    def write(self, name, text):
        path = self.folder / name
        path.write_text(text, encoding="utf-8")
        return path

    def stopped(self, at="9.5 s", **given):
        faults = self.write("faults.yaml", STALLED % at)
        result = dry_run(self.recipe, faults=faults, out=self.folder / "stopped", **given)
        assert result.outcome.exit is Exit.STOPPED
        return result.folder.path

    def retreat(self, name, after, **given):
        return retreat(self.recipe, name, after, out=self.folder / "retreat", **given)

    def refused(self, name, after):
        with pytest.raises((RecipeError, Refused)) as caught:
            self.retreat(name, after)
        return caught.value


@pytest.fixture
def scene(tmp_path):
    return Scene(tmp_path)


def records(folder, kind):
    lines = (folder / "journal.jsonl").read_text(encoding="utf-8").splitlines()
    return [record for record in map(json.loads, lines) if isinstance(record, dict) and record["k"] == kind]


def left(folder, axis="carriage"):
    return next(record for record in records(folder, "at_rest") if record["axis"] == axis)


def test_it_goes_on_from_where_the_stop_left_the_axis(scene):
    """`by 40 mm` from wherever it stood: its home is valid, its drive in fault, its power was taken by closing."""
    stopped = scene.stopped()
    was = left(stopped)
    assert (was["home_valid"], was["energised"], was["fault"]) == (True, False, 1)
    result = scene.retreat("out", stopped)
    assert result.outcome.exit is Exit.DONE
    (move,) = records(result.folder.path, "move")
    assert move["anchor_counts"] == 0
    assert move["from_counts"] == pytest.approx(was["counts"], abs=300)
    assert move["target_counts"] - was["counts"] == round(40 * 8192 / 3)
    assert [step.step.path for step in result.summary.steps] == ["out 1", "out 2", "out 3", "out 4", "closing 1"]
    assert records(result.folder.path, "run")[0]["retreat"] == "out"


def test_without_home_it_counts_from_where_it_was_found_and_goes_to_no_position(scene):
    """Stopped in its search: the search begins 1 s after the first step (practice.md P21: `unhomed` limits hold)."""
    stopped = scene.stopped(at="3 s")
    assert not left(stopped)["home_valid"]
    refused = scene.refused("park", stopped)
    assert {found.rule for found in refused.findings if found.level is Level.ERROR} >= {"home-needed"}
    result = scene.retreat("out", stopped)
    assert result.outcome.exit is Exit.DONE
    (move,) = records(result.folder.path, "move")
    assert move["anchor_counts"] == pytest.approx(left(stopped)["counts"], abs=4)


def test_power_that_was_left_on_is_still_on(scene):
    """Without closing the stop leaves the carriage under power; the sequence need not enable it again."""
    before, park = RECIPE.split("  park:")
    park = park.replace("      - enable: carriage\n", "")
    scene.recipe.write_text(f"{before}  park:{park}", encoding="utf-8")
    stopped = dry_run(scene.recipe, out=scene.folder / "stopped", answer="no")
    assert stopped.outcome.exit is Exit.OPERATOR
    assert left(stopped.folder.path)["energised"]
    result = scene.retreat("park", stopped.folder.path)
    assert result.outcome.exit is Exit.DONE
    assert records(result.folder.path, "move")[0]["target_counts"] == 900 * 8192 // 3


def test_a_retreat_that_was_stopped_can_be_gone_on_from(scene):
    stopped = scene.stopped()
    again = scene.retreat("out", stopped, answer="no")
    assert again.outcome.exit is Exit.OPERATOR
    last = retreat(scene.recipe, "out", again.folder.path, out=scene.folder / "last")
    assert last.outcome.exit is Exit.DONE


def test_the_same_retreat_twice_is_the_same_to_the_last_byte(scene):
    stopped = scene.stopped()
    first = scene.retreat("out", stopped).folder.journal.read_bytes()
    assert scene.retreat("out", stopped).folder.journal.read_bytes() == first


def test_a_fault_must_be_reset_by_the_sequence_itself(scene):
    refused = scene.refused("park", scene.stopped())
    (finding,) = [found for found in refused.findings if found.level is Level.ERROR]
    assert finding.rule == "drive-in-fault"
    assert "reset_fault" in finding.help


@pytest.mark.parametrize(
    ("name", "says", "help"),
    [("ot", "no sequence 'ot'", "Did you mean `out`?"), ("look", "is for `call`", "after_stop: true")],
)
def test_only_a_sequence_that_is_meant_for_it(scene, name, says, help):
    error = scene.refused(name, scene.folder)
    assert says in error.headline
    assert help in error.help


def test_a_run_that_ended_well_is_nothing_to_retreat_from(scene):
    done = dry_run(scene.recipe, out=scene.folder / "done")
    assert "the run ended done" in scene.refused("out", done.folder.path).headline


def changed(folder, axis, **fields):
    """The journal of a stopped run with other words about one axis."""
    journal = folder / "journal.jsonl"
    lines = []
    for line in journal.read_text(encoding="utf-8").splitlines():
        record = json.loads(line)
        if isinstance(record, dict) and record["k"] == "at_rest" and record["axis"] == axis:
            line = json.dumps(record | fields)
        lines.append(line)
    journal.write_text("\n".join(lines) + "\n", encoding="utf-8")


def test_an_axis_that_was_not_proven_to_stand(scene):
    stopped = scene.stopped()
    changed(stopped, "lift", k="unproven", why="it does not answer")
    headline = scene.refused("out", stopped).headline
    assert "lift" in headline
    assert "it does not answer" in headline


@pytest.mark.parametrize("load", ["loaded", "unknown"])
def test_a_drive_that_may_hold_a_move(scene, load):
    """practice.md P2 (common practice, no source): the next start trigger of anybody sets it off."""
    stopped = scene.stopped()
    changed(stopped, "beam_left", load=load)
    error = scene.refused("out", stopped)
    assert error.axis == "beam_left"
    assert load in error.headline


def test_a_journal_that_was_cut_off(scene):
    stopped = scene.stopped()
    journal = stopped / "journal.jsonl"
    journal.write_bytes(b"\n".join(journal.read_bytes().splitlines()[:-1]) + b"\n")
    assert "cut off" in scene.refused("out", stopped).headline


def test_another_recipe_or_machine_than_that_of_the_run(scene):
    stopped = scene.stopped()
    scene.write("recipe.yaml", RECIPE + CLOSING + "# changed\n")
    assert "recipe.yaml has been changed since" in scene.refused("out", stopped).headline
    machine = (scene.folder / "machine.yaml").read_text(encoding="utf-8")
    scene.write("machine.yaml", machine.replace("node: 14", "node: 15"))
    headline = scene.refused("out", stopped).headline
    assert "lift had another node, unit, scale or pair" in headline
    assert "machine.yaml has been changed since" in headline


def test_parameters_are_those_of_the_run(scene):
    """What was set with `--set` for the run holds for what goes on from it."""
    parameters = "machine: machine.yaml\nparameters:\n  way: {value: 40 mm, allowed: [10 mm, 90 mm]}\n"
    text = RECIPE.replace("machine: machine.yaml\n", parameters).replace("{by: 40 mm,", "{by: $way,")
    scene.write("recipe.yaml", text + CLOSING)
    stopped = scene.stopped(overrides={"way": "50 mm"})
    assert "way was 50 mm, and is 40 mm now" in scene.refused("out", stopped).headline
    assert scene.retreat("out", stopped, overrides={"way": "50 mm"}).outcome.exit is Exit.DONE


def test_the_run_before_is_not_overwritten(scene):
    stopped = scene.stopped()
    with pytest.raises(RecipeError, match="would be overwritten"):
        retreat(scene.recipe, "out", stopped, out=stopped)
    assert left(stopped)


def test_a_pair_with_one_home_lost_has_none(scene):
    """practice.md P19 (common practice, no source): its sides are homed together."""
    stopped = scene.stopped()
    changed(stopped, "beam_left", home_valid=True, counts=500_000)
    checked, _ = check_retreat(scene.recipe, "out", stopped)
    assert [one.home_valid for one in checked.plan.left] == [False, False, True, False]


# ---- between the two runs ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "rule"),
    [
        ({"homed": False}, "home-lost"),
        ({"powered": True}, "power-changed"),
        ({"counts": 5_000}, "moved-since"),
    ],
)
def test_what_was_changed_since_the_stop_ends_it_before_anything_moves(scene, change, rule):
    """The tracking limit of the carriage is 2 mm; half of that is 2731 counts."""
    checked, seed = check_retreat(scene.recipe, "out", scene.stopped())
    request = simulation_request(checked.plan, seed=seed)
    carriage = next(one for one in request.left if one.node == 13)
    if "counts" in change:
        change = {"counts": carriage.counts + change["counts"]}
    left = tuple(replace(one, **change) if one is carriage else one for one in request.left)
    link = open_simulated(replace(request, left=left))
    outcome = execute(checked.plan, link, JournalWriter(None), operator=says_yes)
    assert outcome.exit is Exit.STOPPED
    assert outcome.rule == rule
    assert outcome.axis == "carriage"
    assert outcome.step is None


def test_a_brake_that_gave_a_little_is_no_reason(scene):
    checked, seed = check_retreat(scene.recipe, "out", scene.stopped())
    request = simulation_request(checked.plan, seed=seed)
    left = tuple(replace(one, counts=one.counts + 2_000) if one.node == 13 else one for one in request.left)
    link = open_simulated(replace(request, left=left))
    outcome = execute(checked.plan, link, JournalWriter(None), operator=says_yes)
    assert outcome.exit is Exit.DONE
