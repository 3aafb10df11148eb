"""
The guide to the recipe language, `recipes/README.md`: every example in it is checked and run.

A block says in its first line what it is: a file (`# machine.yaml`, `# dip_one_pot.yaml`), more of the machine file
(`# machine.yaml, more`), sequences (`# sequences`), or steps of a recipe (`# steps`), which are run on the machine of
the guide after it has been enabled and homed.
"""

import re
from pathlib import Path
from textwrap import indent

import pytest

from choreo.api import check, dry_run
from choreo.cli import main
from choreo.diagnostic import Level
from choreo.errors import Exit
from choreo.recipe.steps import VERBS

GUIDE = Path(__file__).parents[1] / "recipes" / "README.md"
TEXT = GUIDE.read_text(encoding="utf-8")
BLOCKS = re.findall(r"^```yaml\n# (.*?)\n(.*?)^```$", TEXT, re.MULTILINE | re.DOTALL)
MACHINE = "".join(text for what, text in BLOCKS if what.startswith("machine.yaml"))
SEQUENCES = "".join(text for what, text in BLOCKS if what == "sequences")
RECIPES = {what: text for what, text in BLOCKS if what.endswith(".yaml") and what != "machine.yaml"}
STEPS = [text for what, text in BLOCKS if what == "steps"]
COMMANDS = re.findall(r"^\$ choreo (.*)$", TEXT, re.MULTILINE)

OPENING = """\
choreo: 1
title: Steps of the guide
machine: machine.yaml
positions:
  above: {dip: 500 mm, turn: 0 deg}
steps:
  - configure:
      dip: {speed: 100 mm/s, acceleration: 400 mm/s^2, jerk: 4000 mm/s^3, quick_stop: 1500 mm/s^2}
      turn: {speed: 40 deg/s, acceleration: 120 deg/s^2, jerk: 1200 deg/s^3, quick_stop: 400 deg/s^2}
  - enable: all
  - home: all
  - move: {to: above}
"""


@pytest.fixture
def folder(tmp_path, monkeypatch):
    (tmp_path / "machine.yaml").write_text(MACHINE)
    for name, text in RECIPES.items():
        (tmp_path / name).write_text(text)
    monkeypatch.chdir(tmp_path)
    return tmp_path


def assert_done(recipe: Path) -> None:
    found = check(recipe)
    assert [f.headline for f in found.findings if f.level is not Level.NOTE and f.rule != "sequence-unused"] == []
    assert dry_run(recipe).outcome.exit is Exit.DONE


@pytest.mark.parametrize("name", RECIPES)
def test_a_recipe_of_the_guide_is_done(folder, name):
    assert_done(folder / name)


@pytest.mark.parametrize("steps", STEPS)
def test_steps_of_the_guide_are_done(folder, steps):
    recipe = folder / "steps.yaml"
    sequences = "sequences:\n" + indent(SEQUENCES, "  ")
    recipe.write_text(f"{OPENING}{indent(steps, '  ')}closing:\n  - disable: all\n{sequences}")
    assert_done(recipe)


@pytest.mark.parametrize("command", COMMANDS)
def test_a_command_of_the_guide_ends_well(folder, command, capsys):
    assert main(command.split()) == 0


def test_the_guide_names_every_verb():
    assert [verb for verb in VERBS if f"`{verb}`" not in TEXT] == []


def test_there_is_something_of_each_kind():
    assert len(RECIPES) >= 2
    assert len(STEPS) >= 3
    assert SEQUENCES
    assert COMMANDS
