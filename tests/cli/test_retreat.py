"""`choreo retreat`, and the questions of a recipe on the command line."""

import json
from pathlib import Path

import pytest

from choreo.cli import main

GANTRY = Path(__file__).parents[2] / "recipes" / "kiln_gantry"
RECIPE = """\
choreo: 1
title: Ask first
machine: machine.yaml
sequences:
  look:
    after_stop: true
    steps:
      - confirm: "Nobody is near"
      - dwell: 100 ms
steps:
  - confirm: "The shelf is on the fork"
  - dwell: 100 ms
"""


@pytest.fixture
def recipe(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "machine.yaml").write_text((GANTRY / "machine.yaml").read_text(encoding="utf-8"), encoding="utf-8")
    path = tmp_path / "ask.yaml"
    path.write_text(RECIPE, encoding="utf-8")
    return path


def test_a_dry_run_shows_the_question_and_who_answers(recipe, capsys):
    assert main(["dry-run", str(recipe)]) == 0
    out = capsys.readouterr().out
    assert "to be confirmed (yes or no): The shelf is on the fork\nyes (by the simulation)\n" in out


def test_no_stops_it_and_a_retreat_goes_on_from_there(recipe, capsys, tmp_path):
    assert main(["dry-run", str(recipe), "--answer", "no", "--quiet"]) == 130
    assert "the answer was no: The shelf is on the fork" in capsys.readouterr().out
    assert main(["retreat", str(recipe), "look", "--after", "runs/ask-first"]) == 0
    out = capsys.readouterr().out
    assert "step look 2  dwell 100 ms  done" in out
    first = json.loads((tmp_path / "runs" / "ask-first-look" / "journal.jsonl").read_text().splitlines()[0])
    assert (first["title"], first["retreat"]) == ("Ask first: look", "look")


def test_the_journal_itself_may_be_named(recipe, capsys):
    main(["dry-run", str(recipe), "--answer", "no", "--quiet"])
    assert main(["retreat", str(recipe), "look", "--after", "runs/ask-first/journal.jsonl", "--quiet"]) == 0


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["lok", "--after", "runs/ask-first"], "Did you mean `look`?"),
        (["look", "--after", "runs/nothing"], "cannot be read"),
        (["look"], "--after"),
        (["look", "--after", "runs/ask-first", "--armed"], "are for a real bus, and none is named"),
        (["look", "--after", "runs/ask-first", "--bus", "slcan:x", "--faults", "f.yaml"], "--bus names a real one"),
        (["look", "--after", "runs/ask-first", "--set", "x=5 mm"], "no parameter `x`"),
    ],
)
def test_bad_usage_is_refused_in_words(recipe, capsys, words, says):
    main(["dry-run", str(recipe), "--answer", "no", "--quiet"])
    assert main(["retreat", str(recipe), *words]) == 2
    assert says in capsys.readouterr().err
