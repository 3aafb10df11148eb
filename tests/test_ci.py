"""What a fresh clone is installed with, and the one script that does it."""

import re
import subprocess
import sys
import tomllib
from importlib.metadata import PackageNotFoundError, distribution, requires
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
CONSTRAINTS = ROOT / ".ci" / "constraints.txt"


def canonical(name):
    return re.sub(r"[-_.]+", "-", name).lower()


def pinned():
    lines = [line for line in CONSTRAINTS.read_text().splitlines() if line and not line.startswith("#")]
    return {canonical(line.split("==")[0]): line.split("==")[1] for line in lines}


def wanted():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())
    lists = [project["project"]["dependencies"], project["project"]["optional-dependencies"]["dev"]]
    lists.append(project["build-system"]["requires"])
    return {canonical(re.match(r"[A-Za-z0-9._-]+", text)[0]) for texts in lists for text in texts}


def test_constraints_are_versions_without_addresses():
    for line in CONSTRAINTS.read_text().splitlines():
        assert line.startswith("#") or re.fullmatch(r"[A-Za-z0-9._-]+==[0-9A-Za-z.]+", line), line
    assert "://" not in CONSTRAINTS.read_text()


def test_everything_that_the_project_names_is_pinned():
    assert wanted() <= set(pinned())


def needs(name):
    """What an installed distribution requires; nothing can be said of one that is not (the build backend)."""
    try:
        return requires(name) or []
    except PackageNotFoundError:
        return []


def test_what_these_need_is_pinned_too():
    from packaging.markers import UndefinedEnvironmentName
    from packaging.requirements import Requirement

    seen: set[str] = set()
    queue = sorted(wanted())
    while queue:
        name = queue.pop()
        if name in seen:
            continue
        seen.add(name)
        for text in needs(name):
            requirement = Requirement(text)
            try:
                needed = requirement.marker is None or requirement.marker.evaluate({"extra": ""})
            except UndefinedEnvironmentName:
                needed = False
            if needed:
                queue.append(canonical(requirement.name))
    assert seen <= set(pinned())


def test_the_console_command_and_the_simulated_bus_are_declared():
    entries = {(entry.group, entry.name): entry.value for entry in distribution("choreo").entry_points}
    assert entries["console_scripts", "choreo"] == "choreo.cli:main"
    assert ("choreo.simulated_bus", "default") in entries


@pytest.mark.parametrize("words", [[], ["dance"], ["install", "now"]])
def test_the_script_says_what_it_can_do(words):
    done = subprocess.run(
        [sys.executable, ROOT / ".ci" / "setup.py", *words], capture_output=True, text=True, check=False
    )
    assert done.returncode == 2
    assert "python3 .ci/setup.py demo" in done.stderr


def test_the_check_of_a_change_runs_the_readmes_test_command():
    command = "setup.py test"
    assert command in (ROOT / ".ci" / "run").read_text()
    assert command in (ROOT / ".ci" / "setup.py").read_text()
