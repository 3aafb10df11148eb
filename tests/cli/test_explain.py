"""`choreo explain` and `choreo schema`."""

import json
from pathlib import Path

import pytest

from choreo.checks import CHECKS
from choreo.cli import main
from choreo.cli.topics import all_topics, find
from choreo.errors import Exit
from choreo.journal import KINDS
from choreo.recipe.steps import VERBS
from choreo.wire.described.files import shipped_file, shipped_names


@pytest.fixture(scope="module")
def topics():
    return all_topics()


def names(topics, kind):
    return [topic.name for topic in topics if topic.kind == kind]


def test_everything_that_has_a_name_has_a_topic(topics):
    assert names(topics, "verb") == list(VERBS)
    assert names(topics, "check") == [check.ID for check in CHECKS]
    assert names(topics, "record") == list(KINDS)
    assert names(topics, "exit code") == [str(int(code)) for code in Exit]
    assert names(topics, "dialect") == list(shipped_names())


def test_every_fault_of_the_simulator_has_a_topic(topics):
    from choreo_sim.fault_kinds import KINDS as FAULTS

    assert set(FAULTS) < set(names(topics, "fault"))


@pytest.mark.parametrize("width", [40, 120])
def test_every_topic_has_a_line_about_it_and_more_to_say(topics, width):
    for topic in topics:
        assert topic.says.strip(), topic.name
        assert any(line.strip() for line in topic.lines(width)), topic.name


def test_without_a_topic_all_are_listed(capsys):
    assert main(["explain"]) == 0
    out = capsys.readouterr().out
    for name in ("wait_for_position", "speed-limit", "short_frame", "130", "silent_node", "step_end"):
        assert f"  {name} " in out


def test_a_verb_tells_its_keys_and_their_units(capsys):
    assert main(["explain", "wait_for_position"]) == 0
    out = capsys.readouterr().out
    for key in ("timeout", "label", "axes", "within", "for"):
        assert f"\n{key} " in out
    assert "a distance with its unit" in out


def test_a_name_in_two_kinds_is_explained_in_both(capsys):
    assert main(["explain", "move"]) == 0
    out = capsys.readouterr().out
    assert "move (verb)" in out
    assert "move (record)" in out


def test_a_check_shows_what_passes_and_what_fails(capsys):
    assert main(["explain", "speed-limit"]) == 0
    out = capsys.readouterr().out
    assert "Passes:" in out
    assert "Fails:" in out


def test_a_dialect_is_a_page_of_its_messages(capsys):
    assert main(["explain", "short_frame"]) == 0
    rows = [line.split() for line in capsys.readouterr().out.splitlines()]
    # choreo/wire/dialects/short_frame.yaml: echo is constant 0x11 and an 8-bit count, asked on base 0x140
    place = rows.index(["echo:", "neutral;", "it", "can", "move", "nothing"])
    assert rows[place + 1 : place + 4] == [
        ["request,", "2", "bytes;", "identifiers", "141", "to", "15F"],
        ["byte", "0", "constant", "0x11"],
        ["byte", "1", "count", "unsigned", "8,", "0", "to", "255"],
    ]


def test_a_dialect_of_ones_own_is_named_by_its_file(tmp_path, capsys):
    path = tmp_path / "mine.yaml"
    path.write_text(shipped_file("short_frame").read_text().replace("name: short_frame", "name: mine"))
    assert main(["explain", str(path)]) == 0
    assert "mine (dialect)" in capsys.readouterr().out


def test_a_broken_dialect_file_is_refused_with_its_place(tmp_path, capsys):
    path = tmp_path / "mine.yaml"
    path.write_text("choreo_dialect: 1\n")
    assert main(["explain", str(path)]) == 2
    assert "mine.yaml:1" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("code", "says"), [("3", "does not answer in time"), ("70", "bug in choreo"), ("0", "written")]
)
def test_an_exit_code_says_who_broke_the_rule(capsys, code, says):
    assert main(["explain", code]) == 0
    assert says in capsys.readouterr().out


def test_a_near_miss_is_suggested(capsys):
    assert main(["explain", "wait_for_positon"]) == 2
    assert "wait_for_position" in capsys.readouterr().err


def test_nothing_near_leads_to_the_list(capsys):
    assert main(["explain", "zzzzzz"]) == 2
    assert "choreo explain lists all topics" in capsys.readouterr().err


def test_hyphens_case_and_the_kind_in_front_do_not_matter():
    assert [topic.name for topic in find("Speed_Limit")] == ["speed-limit"]
    assert [topic.kind for topic in find("record move")] == ["record"]
    assert [topic.name for topic in find("exit code 3")] == ["3"]


@pytest.mark.parametrize(("words", "key"), [([], "steps"), (["recipe"], "steps"), (["machine"], "axes")])
def test_the_schema_is_json_schema(capsys, words, key):
    assert main(["schema", *words]) == 0
    schema = json.loads(capsys.readouterr().out)
    assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    assert key in schema["properties"]


def test_explaining_writes_nothing(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert main(["explain"]) == 0
    assert list(Path().iterdir()) == []
