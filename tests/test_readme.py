"""What the README shows is what the commands print."""

import re
import shlex
from pathlib import Path

import pytest

from choreo.cli import main
from tests.shown import assert_printed

ROOT = Path(__file__).parents[1]
BLOCKS = re.findall(r"^```\n\$ choreo (.*?)\n(.*?)^```$", (ROOT / "README.md").read_text(), re.MULTILINE | re.DOTALL)


@pytest.mark.parametrize(("command", "shown"), BLOCKS, ids=[command for command, _ in BLOCKS])
def test_a_block_of_the_readme(command: str, shown: str, capsys, monkeypatch: pytest.MonkeyPatch, tmp_path: Path):
    monkeypatch.chdir(ROOT)
    monkeypatch.setenv("COLUMNS", "100")
    words = shlex.split(command)
    main([*words, "--out", str(tmp_path / "run")] if words[0] == "dry-run" else words)
    assert_printed(shown, capsys.readouterr().out)


def test_the_readme_shows_each_command_of_the_tour():
    assert [command.split()[0] for command, _ in BLOCKS] == ["check", "check", "dry-run", "dry-run", "trial"]
