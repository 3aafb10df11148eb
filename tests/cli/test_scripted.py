"""What `choreo dry-run` tells of scripted faults: which acted, which did not, what was drawn, and `faults.json`."""

import json
from pathlib import Path

from choreo.cli import main
from choreo.cli.scripted import SHOWN, script_lines
from choreo.link.port import Happened, Script

FOLDER = Path("runs/nudge-the-test-shelf")
TEXT = """\
faults:
  - {kind: lost_reply, axis: shelf, step: 1, nth: 5}
  - {kind: silent_node, axis: shelf, step: "99"}
"""


def test_faults_that_acted_and_that_did_not_are_listed_at_the_end(recipe, capsys):
    Path("faults.yaml").write_text(TEXT)
    main(["dry-run", "shelf.yaml", "--faults", "faults.yaml"])
    rows = capsys.readouterr().out.splitlines()
    acted = rows.index("scripted faults that acted:")
    assert "lost_reply on shelf" in rows[acted + 1]
    idle = rows.index("scripted faults that did not act:")
    assert "silent_node" in rows[idle + 1]
    kept = json.loads((FOLDER / "faults.json").read_text())
    assert [one["kind"] for one in kept["acted"]] == ["lost_reply"]
    assert kept["seed"] == 0
    assert "silent_node" in kept["idle"][0]


def test_without_a_fault_file_nothing_is_said_and_an_old_list_is_gone(recipe, capsys):
    Path("faults.yaml").write_text(TEXT)
    main(["dry-run", "shelf.yaml", "--faults", "faults.yaml"])
    assert main(["dry-run", "shelf.yaml"]) == 0
    assert not (FOLDER / "faults.json").exists()
    assert "scripted fault" not in capsys.readouterr().out.rpartition("dry-run of")[2]


def test_what_was_drawn_can_be_copied_and_run_again(recipe, capsys):
    Path("draw.yaml").write_text("draw: {kinds: [silent_node, drive_fault], count: 1, within: [1 s, 2 s]}\n")
    first = main(["dry-run", "shelf.yaml", "--faults", "draw.yaml", "--seed", "5"])
    out = capsys.readouterr().out
    entry = next(row for row in out.splitlines() if row.startswith("  - {kind: "))
    assert "drawn from the seed 5" in out
    journal = (FOLDER / "journal.jsonl").read_bytes()
    for text in (f"faults:\n{entry}\n", json.loads((FOLDER / "faults.json").read_text())["explicit"]):
        Path("said.yaml").write_text(text)
        assert main(["dry-run", "shelf.yaml", "--faults", "said.yaml", "--seed", "5"]) == first
        assert (FOLDER / "journal.jsonl").read_bytes() == journal


def test_many_are_not_all_shown():
    acted = tuple(Happened(place * 1_000_000_000, "was not heard", "lost_request", "shelf") for place in range(20))
    lines = list(script_lines(Script(acted, (), (), ""), 0, 60))
    assert sum("lost_request" in line for line in lines) == SHOWN
    assert lines[-1] == "  and 8 more"
    assert max(map(len, lines)) <= 60


def test_nothing_that_acted_is_said_too():
    assert next(iter(script_lines(Script((), ("{kind: silent_node}",), (), ""), 0, 80))) == "no scripted fault acted"
