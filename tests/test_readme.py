"""What the README shows is what the commands print."""

import re
import shlex
from pathlib import Path

import pytest

from choreo.cli import main

ROOT = Path(__file__).parents[1]
LEFT_OUT = "[...]"
BLOCKS = re.findall(r"^```\n\$ choreo (.*?)\n(.*?)^```$", (ROOT / "README.md").read_text(), re.MULTILINE | re.DOTALL)


@pytest.mark.parametrize(("command", "shown"), BLOCKS, ids=[command for command, _ in BLOCKS])
def test_a_block_of_the_readme(command: str, shown: str, capsys, monkeypatch: pytest.MonkeyPatch, tmp_path: Path):
    monkeypatch.chdir(ROOT)
    monkeypatch.setenv("COLUMNS", "100")
    words = shlex.split(command)
    main([*words, "--out", str(tmp_path / "run")] if words[0] == "dry-run" else words)
    printed = [line.rstrip() for line in capsys.readouterr().out.splitlines()]
    place = 0
    for part in shown.split(LEFT_OUT):
        lines = part.strip("\n").splitlines()
        while printed[place : place + len(lines)] != lines:
            place += 1
            assert place <= len(printed), f"not printed: {lines}"
        place += len(lines)
    assert shown.rstrip().endswith(LEFT_OUT) or place == len(printed)


def test_the_readme_shows_each_command_of_the_tour():
    assert [command.split()[0] for command, _ in BLOCKS] == ["check", "check", "dry-run", "dry-run", "trial"]
