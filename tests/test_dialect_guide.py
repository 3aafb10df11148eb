"""
The guide to transcribing a manual: what it shows of the example dialect is the dialect, whole and in order, and its
commands print what it says.
"""

import re
import shlex
from pathlib import Path

import pytest

from choreo.api import dry_run
from choreo.cli import main
from choreo.errors import Exit
from choreo.frame import frame_of
from choreo.text import compose, read_text, text_source
from choreo.wire.described import load_dialect, shipped
from choreo.wire.described.asking.trials import check_trials
from choreo.wire.described.frames.kinds import WORDS
from choreo.wire.described.reading.reader import Reader
from choreo.wire.described.reading.speech.checksums import read_checksums
from choreo.wire.described.reading.speech.parts import read_part
from tests.shown import LEFT_OUT, assert_printed

ROOT = Path(__file__).parents[1]
FOLDER = ROOT / "recipes" / "index_table"
GUIDE = (FOLDER / "README.md").read_text(encoding="utf-8")
COMMANDS = re.findall(r"^```\n\$ choreo (.*?)\n(.*?)^```$", GUIDE, re.MULTILINE | re.DOTALL)
EXCERPTS = re.findall(r"^```yaml\n(.*?)^```$", GUIDE, re.MULTILINE | re.DOTALL)
PARTS = re.findall(r"^\| `(\{.*?\})` \|", GUIDE, re.MULTILINE)


def lines_of(text):
    """Without comments of a whole line, and without empty lines."""
    return [line.rstrip() for line in text.split("\n") if line.strip() and not line.startswith("#")]


def test_the_guide_shows_every_line_of_the_example_in_order():
    shown = [line for excerpt in EXCERPTS if "choreo_dialect_test" not in excerpt for line in lines_of(excerpt)]
    assert shown == lines_of((FOLDER / "index_drive.yaml").read_text(encoding="utf-8"))


def test_what_the_guide_shows_of_the_test_file_is_in_it():
    text = (FOLDER / "index_drive_test.yaml").read_text(encoding="utf-8")
    (excerpt,) = (excerpt for excerpt in EXCERPTS if "choreo_dialect_test" in excerpt)
    for piece in excerpt.split(f"  # {LEFT_OUT}\n"):
        assert piece in text


@pytest.mark.parametrize(("command", "shown"), COMMANDS, ids=[command for command, _ in COMMANDS])
def test_a_command_of_the_guide(command, shown, capsys, monkeypatch):
    monkeypatch.chdir(ROOT)
    monkeypatch.setenv("COLUMNS", "100")
    assert main(shlex.split(command)) == 0
    assert_printed(shown, capsys.readouterr().out)


def test_the_guide_shows_each_command_that_looks_at_a_dialect():
    kinds = [" ".join(shlex.split(command)[:2]) for command, _ in COMMANDS]
    for kind in ("check recipes/index_table/index_drive_test.yaml", "explain --dialect", "explain frame"):
        assert kind in kinds


@pytest.mark.parametrize("part", PARTS)
def test_every_part_of_the_table_is_one(part):
    reader = Reader()
    defined = read_checksums(reader, compose(read_text(FOLDER / "index_drive.yaml"))["checksums"])
    assert read_part(reader, compose(text_source(f"part: {part}\n", "table"))["part"], "the table", defined) is not None
    assert reader.findings == []


def test_the_table_names_every_kind_of_number():
    for word in (*WORDS, "shortest"):
        assert f"`{{name: {word} " in GUIDE or f"; `{word}" in GUIDE, word


def test_the_test_file_holds_the_dialect_against_every_frame_that_it_has():
    dialect = load_dialect(FOLDER / "index_drive.yaml")
    trials = check_trials(FOLDER / "index_drive_test.yaml")
    rows = compose(read_text(FOLDER / "index_drive_test.yaml"))["frames"]
    assert (trials.dialect, trials.frames) == ("index_drive", len(rows))
    found = [dialect.find(frame_of(row["frame"])) for row in rows]
    tested = {(one.shape.role, one.shape.message) for one in found if one}
    silent = {(shape.role, shape.message) for shape in dialect.frames.all()} - tested
    # What is framed like another that is tested: the replies to brake, output and reset, and the inputs that changed.
    assert {message for _, message in silent} <= {
        "release_brake", "apply_brake", "set_output", "reset_fault", "clear_load", "inputs"
    }  # fmt: skip


def test_it_differs_from_the_shipped_one_in_every_row():
    """design: the table of what the language offers."""
    text = (FOLDER / "index_drive.yaml").read_text(encoding="utf-8")
    mine, other = load_dialect(FOLDER / "index_drive.yaml"), shipped("short_frame")
    assert (mine.frames.addressing.bits, other.frames.addressing.bits) == (29, 11)
    assert mine.frames.addressing.broadcast != other.frames.addressing.broadcast
    for word in (
        "fields:",
        "byte_order: big",
        "signed 24",
        "sign_magnitude",
        "offset_binary",
        "bcd",
        "shortest",
        "state:",
    ):
        assert word in text
    for setting, scale in mine.settings.items():
        assert type(scale) is not type(other.settings[setting]) or scale != other.settings[setting]
    for word in ("payloads:", "means: received", "every:", "crc:", "rolling:", "frames:", "quiet:", "outstanding:"):
        assert word in text
    assert mine.loads != other.loads
    assert mine.profile != other.profile
    assert mine.permanent_settings
    assert mine.watchdog is not None
    assert mine.scale_settings
    assert mine.errors != other.errors


RECIPE = """\
choreo: 1
title: Turn the table
bus: {bit_rate: 500 kbit/s, length: 5 m, poll: 50 Hz}
axes:
  table: {node: 11, dialect: ./index_drive.yaml, unit: deg, lag: 5 ms, noise: 2 counts,
          scale: {counts_per_motor_rev: 10000, gear: {motor: 60, output: 1}, travel_per_output_rev: 360 deg}}
limits:
  table: {travel: [-10 deg, 370 deg], speed: 60 deg/s, acceleration: 200 deg/s^2, quick_stop: 600 deg/s^2,
          tracking: 3 deg}
unhomed:
  table: {speed: 10 deg/s, distance: 400 deg}
homing:
  table: {towards: negative, using: home_switch, search: 9 deg/s, crawl: 0.36 deg/s, back_off: 2 deg,
          within: 380 deg, home_at: -3 deg, rest_at: 0 deg, torque: 40 %}
steps:
  - link_check: {axes: all, exchanges: 50}
  - configure: {table: {speed: 45 deg/s, acceleration: 120 deg/s^2, quick_stop: 300 deg/s^2, following_error: 3 deg,
                        torque_limit: 80 %}}
  - enable: all
  - home: table
  - preload: {table: {to: 30 deg}}
  - trigger: table
  - wait_for_position: {axes: [table], within: 0.05 deg, for: 60 ms}
  - expect: {axis: table, position: 30 deg, within: 0.1 deg}
closing:
  - disable: all
"""


def test_a_machine_of_this_drive_homes_and_moves(tmp_path):
    (tmp_path / "index_drive.yaml").write_bytes((FOLDER / "index_drive.yaml").read_bytes())
    (tmp_path / "turn.yaml").write_text(RECIPE, encoding="utf-8")
    run = dry_run(tmp_path / "turn.yaml", out=tmp_path / "run")
    assert run.findings == ()
    assert run.outcome.exit is Exit.DONE
