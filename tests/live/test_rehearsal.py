"""A real run needs a dry-run of exactly its content: found, or made then and there."""

import shutil
from fractions import Fraction
from functools import partial

import pytest

from choreo.api import check, dry_run
from choreo.errors import RecipeError
from choreo.live import rehearsal
from choreo.live.rehearsal import rehearsed
from choreo.report.against import against_lines, differences
from run.machine import GANTRY

SLIDES = GANTRY.parents[1] / "tests" / "live" / "two_slides.yaml"


@pytest.fixture
def here(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    shutil.copy(SLIDES, tmp_path / "slides.yaml")
    return tmp_path / "slides.yaml"


def ask(here, overrides=None, pace=Fraction(1)):
    plan = check(here, overrides or {}, pace=pace).plan
    return rehearsed(plan, here, overrides or {}, pace, here.parent / "own")


def test_without_one_it_is_made_now(here):
    found = ask(here)
    assert found.new
    assert found.summary.exit == 0
    assert (here.parent / "own" / "journal.jsonl").exists()


def test_one_of_exactly_this_content_is_taken(here):
    dry_run(here, seed=4)
    found = ask(here)
    assert not found.new
    assert found.summary.seed == 4
    assert not (here.parent / "own").exists()


def test_anything_else_is_none(here):
    dry_run(here)
    assert ask(here, {"stroke": "9 mm"}).new
    assert ask(here, pace=Fraction(1, 2)).new
    here.write_text(here.read_text() + "\n# changed\n")
    assert ask(here).new


def test_one_with_faults_or_cut_off_is_none(here):
    faults = here.parent / "faults.yaml"
    faults.write_text("title: A slow reply\nfaults:\n  - {kind: lost_reply, node: near_slide, at: 90 s}\n")
    dry_run(here, faults=faults)
    assert ask(here).new
    result = dry_run(here)
    text = result.folder.journal.read_text()
    result.folder.journal.write_text(text[: len(text) // 2])
    assert ask(here).new


def test_one_that_does_not_end_well_refuses_the_run(here, monkeypatch):
    faults = here.parent / "faults.yaml"
    faults.write_text("title: It sticks\nfaults:\n  - {kind: stalled_axis, node: near_slide, at: 300 ms}\n")
    monkeypatch.setattr(rehearsal, "dry_run", partial(dry_run, faults=faults))
    with pytest.raises(RecipeError) as refused:
        ask(here)
    assert refused.value.rule == "rehearsal"
    assert "near_slide" in refused.value.headline
    assert "Nothing was sent" in refused.value.help


def test_what_each_step_took_is_held_against_it(here):
    found = ask(here)
    again = dry_run(here, seed=11).summary
    rows = differences(again, found.summary)
    assert len(rows) == len(found.summary.steps)
    assert [one.longer_ns for one in rows] == [
        after.taken_ns - before.taken_ns for after, before in zip(again.steps, found.summary.steps, strict=True)
    ]
    lines = list(against_lines(again, found.summary, 100))
    total = sum(one.longer_ns for one in rows) / 1e6
    assert f"{total:+.1f} ms" in lines[0]
    assert len(lines) == 1 + 2 + 5 + 1
