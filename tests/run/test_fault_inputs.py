"""
An interlock that is lost, and one that only flickers, as entries of a fault file, on a recipe that names one.

Common practice, no source: an input is debounced, so that a contact that vibrates for less than that is no loss.
"""

import shutil
from pathlib import Path

import pytest

from choreo.errors import Exit
from tests.run.machine import GANTRY, Done, Rehearsal, assert_ended_safely

RECIPE = """\
choreo: 1
title: guarded
machine: machine.yaml
inputs:
  guard_closed: {axis: lift, input: 3, active: low, debounce: 20 ms}
interlocks: [guard_closed]
steps:
  - configure:
      carriage: {speed: 80 mm/s, acceleration: 1500 mm/s^2, jerk: 15000 mm/s^3, quick_stop: 4000 mm/s^2}
  - enable: carriage
  - move: {carriage: {by: 100 mm}}
    label: Long move
closing:
  - disable: carriage
"""


def rehearse(folder: Path, fault: str) -> Done:
    shutil.copy(GANTRY / "machine.yaml", folder)
    recipe, faults = folder / "recipe.yaml", folder / "faults.yaml"
    recipe.write_text(RECIPE, encoding="utf-8")
    faults.write_text(f"faults:\n  - {{{fault}, axis: lift, input: input_3, step: Long move, after: 400 ms}}\n")
    return Rehearsal(recipe, faults=faults).go()


@pytest.mark.parametrize("fault", ["kind: input_lost", "kind: input_lost, lasts: 300 ms",
                                   "kind: input_flickers, lasts: 100 ms, every: 1 s"])  # fmt: skip
def test_an_interlock_that_is_lost_while_something_moves_stops_the_machine(tmp_path, fault):
    done = rehearse(tmp_path, fault)
    assert (done.outcome.exit, done.outcome.rule, done.outcome.axis) == (Exit.STOPPED, "interlock", "lift")
    assert done.outcome.step is not None
    assert done.outcome.step.label == "Long move"
    assert "guard_closed" in done.outcome.headline
    assert not done.records("unproven")
    assert_ended_safely(done)


def test_a_flicker_shorter_than_the_debounce_is_no_loss(tmp_path):
    done = rehearse(tmp_path, "kind: input_flickers, lasts: 5 ms, every: 50 ms, count: 10")
    assert done.link.machine.fired
    assert done.outcome.exit is Exit.DONE, done.outcome.headline


@pytest.mark.parametrize("lasts_ms", [1, 40])
def test_it_reads_what_it_should_when_it_is_over(tmp_path, lasts_ms):
    done = rehearse(tmp_path, f"kind: input_flickers, lasts: {lasts_ms} ms, every: 200 ms, count: 2")
    levels = done.link.machine.drives["lift"].inputs.levels({})
    assert levels["input_3"] is False, "the guard is shut: low, as the machine's truth says"
