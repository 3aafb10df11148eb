"""The machine of a recipe without its steps: what must not keep anybody from it, and what must."""

import shutil
from pathlib import Path

import pytest

from choreo.api import check, machine_plan
from choreo.diagnostic import Refused

RECIPES = Path(__file__).parents[2] / "recipes"
GANTRY = RECIPES / "kiln_gantry"


@pytest.fixture
def gantry(tmp_path: Path) -> Path:
    """A copy of the gantry's folder."""
    return Path(shutil.copytree(GANTRY, tmp_path / "gantry"))


def changed(path: Path, old: str, new: str) -> Path:
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new, 1), encoding="utf-8")
    return path


@pytest.mark.parametrize("recipe", ["kiln_gantry/home_and_test", "louvre_row/daily_turn", "test_wall/shapes"])
def test_the_machine_is_that_of_the_whole_recipe(recipe: str) -> None:
    whole, alone = check(RECIPES / f"{recipe}.yaml").plan, machine_plan(RECIPES / f"{recipe}.yaml")
    assert whole is not None
    assert alone.steps == alone.closing == ()
    assert (alone.machine, alone.bit_rate, alone.poll_ns) == (whole.machine, whole.bit_rate, whole.poll_ns)
    assert [(axis.name, axis.node, axis.limits) for axis in alone.axes] == [
        (axis.name, axis.node, axis.limits) for axis in whole.axes
    ]
    assert (alone.axes, alone.pairs, alone.hashes) == (whole.axes, whole.pairs, whole.hashes)


@pytest.mark.parametrize("folder", ["kiln_gantry", "louvre_row", "test_wall", "index_table"])
def test_a_machine_file_stands_for_its_machine(folder: str) -> None:
    plan = machine_plan(RECIPES / folder / "machine.yaml")
    assert plan.title == plan.machine
    assert len({axis.node for axis in plan.axes}) == len(plan.axes) > 0


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("- home: lift", "- hoome: lift"),
        ("- home: lift", "- home: attic"),
        ("stroke: {value: 600 mm", "stroke: {value: 600 s"),
        ("park: {beam: 100 mm", "park: {beam: 9 km"),
        ("title: Home and test the kiln-shelf gantry", "titel: x"),
        ("machine: machine.yaml", "homing: nonsense\nmachine: machine.yaml"),
        ("machine: machine.yaml", "limits: {beam: {speed: 9000 mm/s}}\nmachine: machine.yaml"),
        ("machine: machine.yaml", "limits: {roof: {speed: 1 mm/s}}\nmachine: machine.yaml"),
        ("machine: machine.yaml", "axes: {roof: 4}\nmachine: machine.yaml"),
        ("machine: machine.yaml", "bus: {poll: fast}\nmachine: machine.yaml"),
    ],
)
def test_what_is_wrong_with_a_recipe_keeps_nobody_from_its_machine(gantry: Path, old: str, new: str) -> None:
    recipe = changed(gantry / "home_and_test.yaml", old, new)
    assert not check(recipe).ok
    assert machine_plan(recipe).axes == machine_plan(gantry / "machine.yaml").axes


def test_what_a_recipe_tightens_holds(gantry: Path) -> None:
    recipe = changed(
        gantry / "home_and_test.yaml",
        "machine: machine.yaml",
        "limits: {carriage: {speed: $slow}}\nmachine: machine.yaml",
    )
    changed(recipe, "parameters:", "parameters:\n  slow: {value: 90 mm/s}")
    (carriage,) = (axis for axis in machine_plan(recipe).axes if axis.name == "carriage")
    assert carriage.limits.speed == 90


def test_many_unused_parameters_are_no_matter(tmp_path: Path) -> None:
    text = (Path(__file__).parents[1] / "live" / "two_slides.yaml").read_text(encoding="utf-8")
    extra = "".join(f"  spare_{number}: {{value: 1 mm}}\n" for number in range(300))
    recipe = tmp_path / "two_slides.yaml"
    assert "parameters:\n" in text
    recipe.write_text(text.replace("parameters:\n", f"parameters:\n{extra}"), encoding="utf-8")
    assert len(machine_plan(recipe).axes) == 2


@pytest.mark.parametrize(
    ("old", "new", "rule"),
    [
        ("node: 13", "node: 11", "node-taken"),
        ("dialect: short_frame", "dialect: shorter_frame", "dialect-unknown"),
        ("unit: mm", "unit: cm", "unknown-word"),
        ("bit_rate: 500 kbit/s", "bit_rate: 500 mm", "wrong-dimension"),
        ("pairs:", "pears:", "unknown-key"),
        ("choreo: 1", "choreo: 2", "other-version"),
    ],
)
def test_what_is_wrong_with_the_machine_is_said(gantry: Path, old: str, new: str, rule: str) -> None:
    changed(gantry / "machine.yaml", old, new)
    for file in ("machine.yaml", "home_and_test.yaml"):
        with pytest.raises(Refused) as refused:
            machine_plan(gantry / file)
        rules = {finding.rule: finding.primary for finding in refused.value.findings}
        assert rule in rules, rules
        assert "machine.yaml" in str(rules[rule])


@pytest.mark.parametrize(
    "text", ["", "[", "choreo: 1\n", "choreo: 1\naxes: {}\n", "\0", "choreo: 1\nmachine: none.yaml\n"]
)
def test_a_file_that_names_no_machine_is_refused(tmp_path: Path, text: str) -> None:
    path = tmp_path / "recipe.yaml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(Refused):
        machine_plan(path)
    with pytest.raises(Refused):
        machine_plan(tmp_path)
