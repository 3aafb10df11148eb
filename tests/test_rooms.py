"""The promises of the layout: who may know whom, where clocks and chance are, that no room forgets a step."""

import ast
from pathlib import Path
from typing import get_args

import pytest

ROOT = Path(__file__).parents[1]
SOURCES = sorted([*(ROOT / "choreo").rglob("*.py"), *(ROOT / "sim" / "choreo_sim").rglob("*.py")])

#: Where real time and real chance may come from. The simulator's chance is seeded: `random.Random(seed)` only.
CLOCKS = {
    "choreo/cli/drawn.py",
    "choreo/cli/interrupts.py",
    "choreo/cli/run.py",
    "choreo/cli/screen/child.py",
    "choreo/cli/screen/clock.py",
    "choreo/cli/stop.py",
    "choreo/link/guardian_process.py",
    "choreo/link/live.py",
    "choreo/running.py",
    "choreo/service/stop.py",
    "sim/choreo_sim/realtime.py",
}
LONGEST_MODULE = 450
LONGEST_FUNCTION = 60


def named(path):
    return path.relative_to(ROOT).as_posix()


@pytest.fixture(scope="module")
def trees():
    return {named(path): ast.parse(path.read_text(encoding="utf-8")) for path in SOURCES}


def imported(tree):
    """Top-level names of everything that a module imports, wherever in it."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name.split(".")[0] for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
            yield node.module.split(".")[0]


def test_the_arrows_between_the_rooms_are_kept(capsys):
    from importlinter.cli import lint_imports

    broken = lint_imports(config_filename=str(ROOT / ".importlinter"), no_cache=True)
    assert broken == 0, capsys.readouterr().out


def test_real_clocks_are_in_live_links_and_on_the_screen_only(trees):
    users = {name for name, tree in trees.items() if {"time", "datetime"} & set(imported(tree))}
    assert users == CLOCKS


def test_chance_is_the_simulators_and_seeded(trees):
    for name, tree in trees.items():
        assert not {"secrets", "uuid"} & set(imported(tree)), name
        if "random" in set(imported(tree)):
            assert name.startswith("sim/"), name
            assert all(attribute == "Random" for attribute in _of_random(tree)), name


def _of_random(tree):
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and node.module == "random":
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and node.value.id == "random":
            yield node.attr


def test_the_clock_test_can_fail():
    tree = ast.parse("def f():\n    import time.foo\n    from datetime import date\n    random.random()\n")
    assert {"time", "datetime"} <= set(imported(tree))
    assert list(_of_random(tree)) == ["random"]


def test_every_folder_says_what_lives_there(trees):
    folders = {path.parent for path in SOURCES}
    for folder in folders:
        assert ast.get_docstring(trees[named(folder / "__init__.py")]), folder


def test_modules_hold_one_idea_and_functions_can_be_seen_whole(trees):
    long = []
    for path in SOURCES:
        name = named(path)
        lines = len(path.read_text(encoding="utf-8").splitlines())
        if lines > LONGEST_MODULE:
            long.append(f"{name}: {lines} lines")
        for node in ast.walk(trees[name]):
            if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
                length = node.end_lineno - node.lineno + 1
                if length > LONGEST_FUNCTION:
                    long.append(f"{name}:{node.lineno} {node.name}: {length} lines")
    assert long == []


def test_every_room_knows_every_step():
    from choreo.plan.flow import WRITTEN_OUT
    from choreo.plan.model import Action
    from choreo.plan.steps import RESOLVERS
    from choreo.recipe.steps import VERBS
    from choreo.run.steps import STEPS

    assert set(RESOLVERS) == set(VERBS.values()) - WRITTEN_OUT  # a repeat is written out while steps are resolved
    assert set(STEPS) == set(get_args(Action))
    assert len(RESOLVERS) == len(STEPS)
