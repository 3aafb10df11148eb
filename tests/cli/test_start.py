"""What is imported when: a command that says little must not load much."""

import subprocess
import sys

import pytest

HEAVY = {"can", "rich", "anyio", "asyncio", "numpy", "ruckig", "serial", "canopen", "pint"}
PROGRAM = """
import sys
from choreo.cli import main
code = main(sys.argv[1:])
print("loaded", *sorted(name for name in sys.modules if "." not in name), file=sys.stderr)
raise SystemExit(code)
"""


def loaded(*words):
    done = subprocess.run([sys.executable, "-c", PROGRAM, *words], capture_output=True, text=True, check=True)
    (line,) = [line for line in done.stderr.splitlines() if line.startswith("loaded ")]
    return set(line.split()[1:])


def test_help_loads_neither_models_nor_yaml():
    assert not (HEAVY | {"pydantic", "ruamel"}) & loaded("--help")


def test_a_check_loads_no_bus_no_screen_and_no_event_loop(recipe):
    assert not HEAVY & loaded("check", str(recipe))


def test_a_dry_run_without_a_terminal_loads_no_screen_and_no_event_loop(recipe):
    assert not (HEAVY - {"ruckig", "numpy"}) & loaded("dry-run", str(recipe), "--quiet")


def test_the_module_is_the_command():
    done = subprocess.run([sys.executable, "-m", "choreo", "--version"], capture_output=True, text=True, check=True)
    assert done.stdout.startswith("choreo ")


@pytest.mark.skipif(sys.platform == "win32", reason="closing a pipe is another matter there")
def test_a_reader_that_leaves_early_is_no_traceback():
    command = f"{sys.executable} -m choreo explain | head -n 1"
    done = subprocess.run(["sh", "-c", command], capture_output=True, text=True, check=True)
    assert done.stdout == "Verbs of a recipe's steps\n"
    assert done.stderr == ""
