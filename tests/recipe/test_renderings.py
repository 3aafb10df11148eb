"""
Broken recipes with their whole text, as a person sees it. The stored texts are written by hand, from the layout rules
of `choreo/diagnostic/render.py` and the wording of each rule.
"""

from pathlib import Path

import pytest

from choreo.diagnostic import Refused
from choreo.diagnostic.render import full_text, one_line
from choreo.recipe.load import load

BROKEN = Path(__file__).parent / "broken"
NAMES = sorted(path.stem for path in BROKEN.glob("*.txt"))


@pytest.mark.parametrize("name", NAMES)
def test_a_broken_recipe_is_explained_as_stored(name, monkeypatch):
    monkeypatch.chdir(BROKEN)
    with pytest.raises(Refused) as caught:
        load(f"{name}.yaml")
    assert full_text(caught.value.findings, caught.value.lines) == (BROKEN / f"{name}.txt").read_text(encoding="utf-8")


@pytest.mark.parametrize("name", NAMES)
def test_every_finding_has_a_line_of_its_own_that_is_complete(name, monkeypatch):
    monkeypatch.chdir(BROKEN)
    with pytest.raises(Refused) as caught:
        load(f"{name}.yaml")
    stored = (BROKEN / f"{name}.txt").read_text(encoding="utf-8")
    for finding in caught.value.findings:
        line = one_line(finding)
        assert "\n" not in line
        assert finding.headline in line
        assert f"{finding.primary.span}  {finding.headline}   ({finding.rule})\n" in stored


def test_the_machine_of_the_broken_recipes_is_sound(tmp_path):
    (tmp_path / "machine.yaml").write_text((BROKEN / "machine.yaml").read_text())
    (tmp_path / "r.yaml").write_text("choreo: 1\ntitle: t\nmachine: machine.yaml\nsteps:\n  - enable: lift\n")
    assert load(tmp_path / "r.yaml").name == "a small lift"
