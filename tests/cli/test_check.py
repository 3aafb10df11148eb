"""`choreo check`: what it prints, where, and its exit codes."""

import json

import pytest

from choreo.cli import main


def test_a_sound_recipe_is_one_line_and_exit_code_0(recipe, capsys):
    assert main(["check", "shelf.yaml"]) == 0
    out, err = capsys.readouterr()
    (line,) = out.splitlines()
    assert line.startswith("Nudge the test shelf: nothing found; 9 steps, ")
    assert line.endswith(" s predicted")
    assert err == ""


def test_an_error_shows_its_line_and_is_refused(too_fast, capsys):
    assert main(["check", "fast.yaml"]) == 2
    out, err = capsys.readouterr()
    line = 1 + too_fast.read_text().splitlines().index("    speed: 90 mm/s")
    assert f"fast.yaml:{line}:" in out
    assert f"{line} |     speed: 90 mm/s" in out
    assert out.splitlines()[-1].startswith("refused: ")
    assert err == ""


def test_json_is_a_list_of_findings_and_nothing_else(too_fast, capsys):
    assert main(["check", "fast.yaml", "--format", "json"]) == 2
    findings = json.loads(capsys.readouterr().out)
    assert {"rule", "level", "headline", "place", "others", "help", "note"} == set(findings[0])
    assert any(finding["level"] == "error" and "90 mm/s" in finding["headline"] for finding in findings)


def test_json_of_a_sound_recipe_is_an_empty_list(recipe, capsys):
    assert main(["check", "shelf.yaml", "--format", "json"]) == 0
    assert json.loads(capsys.readouterr().out) == []


def test_parameters_are_set_and_held_to_what_is_allowed(recipe, capsys):
    assert main(["check", "shelf.yaml", "--set", "stroke=8 mm"]) == 0
    assert main(["check", "shelf.yaml", "--set", "stroke=41 mm"]) == 2
    assert "41 mm" in capsys.readouterr().out
    assert main(["check", "shelf.yaml", "--set", "strike=8 mm"]) == 2
    assert "stroke" in capsys.readouterr().out


def test_a_slower_pace_takes_longer(recipe, capsys):
    times = []
    for pace in ("100%", "20%"):
        assert main(["check", "shelf.yaml", "--pace", pace]) == 0
        times.append(float(capsys.readouterr().out.split("; 9 steps, ")[1].split(" s")[0]))
    assert times[1] > 2 * times[0]


def test_a_missing_file_is_one_clear_line(recipe, capsys):
    assert main(["check", "nowhere.yaml"]) == 2
    assert "nowhere.yaml cannot be read: No such file or directory" in capsys.readouterr().out


def test_findings_come_before_the_next_check(recipe, too_fast, capsys):
    """Several findings in one run, by position."""
    too_fast.write_text(too_fast.read_text().replace("exchanges: 10", "exchanges: none"))
    assert main(["check", "fast.yaml"]) == 2
    assert "exchanges" in capsys.readouterr().out


@pytest.mark.parametrize(
    "words",
    [
        [],
        ["check"],
        ["dance", "shelf.yaml"],
        ["check", "shelf.yaml", "--pace", "0"],
        ["check", "shelf.yaml", "--set", "stroke"],
        ["check", "shelf.yaml", "--format", "xml"],
    ],
)
def test_bad_usage_is_refused_with_the_usage(recipe, capsys, words):
    assert main(words) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith("usage: choreo")


@pytest.mark.parametrize("words", [["--help"], ["--version"], ["check", "--help"], ["dry-run", "--help"]])
def test_help_and_version(capsys, words):
    assert main(words) == 0
    assert "choreo" in capsys.readouterr().out
