"""
`choreo explain --dialect`: everything of a dialect, each form with a worked frame.

The worked frames are read back with the codec, and some are held against frames composed by hand (short_frame.yaml;
recipes/index_table/README.md with crccheck's CRC-8 SAE J1850).
"""

import re
from pathlib import Path

import pytest
from crccheck.crc import Crc8SaeJ1850

from choreo.cli import main
from choreo.frame import frame_of
from choreo.wire.described import load_dialect, shipped_file
from choreo.wire.described.asking.places import forms

ROOT = Path(__file__).parents[2]
FILES = {
    "short_frame": shipped_file("short_frame"),
    "terse": ROOT / "tests" / "drive" / "terse.yaml",
    "index_drive": ROOT / "recipes" / "index_table" / "index_drive.yaml",
}


def page(capsys, monkeypatch, name, width=100):
    monkeypatch.setenv("COLUMNS", str(width))
    assert main(["explain", "--dialect", str(FILES[name])]) == 0
    return capsys.readouterr().out


@pytest.mark.parametrize("name", FILES)
def test_every_form_has_a_worked_frame_that_is_what_it_says(capsys, monkeypatch, name):
    dialect = load_dialect(FILES[name])
    found = [dialect.find(frame_of(text)) for text in re.findall(r"Example (\S+?):", page(capsys, monkeypatch, name))]
    assert all(found)
    worked = sorted((one.shape.role, one.shape.message) for one in found)
    wanted = sorted((shape.role, shape.message) for shape in dialect.frames.all() for _ in forms(shape.layout))
    assert worked == wanted


@pytest.mark.parametrize("name", FILES)
def test_nothing_is_left_out(capsys, monkeypatch, name):
    dialect = load_dialect(FILES[name])
    out = page(capsys, monkeypatch, name)
    for message in dialect.frames.requests:
        assert f"\n{message.split('.')[0]}: " in out
    for setting in dialect.settings:
        assert re.search(rf"(?m)^  {setting} +{dialect.numbers[setting]} ", out)
    for text in (*dialect.errors.values(), *dialect.faults.values()):
        assert f"  {text}\n" in out
    for kind in dialect.frames.events:
        assert f"\n{kind}" in out


@pytest.mark.parametrize("width", [80, 100, 140])
@pytest.mark.parametrize("name", FILES)
def test_it_fits_the_terminal(capsys, monkeypatch, name, width):
    assert max(map(len, page(capsys, monkeypatch, name, width).splitlines())) <= width


def test_short_frames_by_hand(capsys, monkeypatch):
    out = page(capsys, monkeypatch, "short_frame")
    # 42 = 0x2A; -100000 = 0xFFFE7960 (facts.md B8); 4096 = 0x1000; raw speed 1311 = 0x051F
    for text in ("14B#11.2A", "12B#92.00.10.00.00", "14B#42.60.79.FE.FF.1F.05", "040#51", "02B#61", "06B#F0"):
        assert f"Example {text}: " in out
    assert "00101000000 + node   (0x140 + node)" in out  # 0x140 in 11 bits
    assert "021 to 03F, all nodes 020: requests stop quick_stop" in out
    assert "raw 0 means no limit" in out


def test_index_frames_by_hand(capsys, monkeypatch):
    out = page(capsys, monkeypatch, "index_drive")
    identifier = bytes.fromhex("180B4D01")
    data = bytes.fromhex("7901 8186A0")  # code 15, count 1; part 1; the sign and 0x0186A0
    check = Crc8SaeJ1850.calc(identifier + data)
    assert f"Example 180B4D01#79.01.81.86.A0.{check:02X}: node 11, rolling 1, target -100000." in out
    drawn = [line.strip() for line in out.splitlines()]
    assert drawn[drawn.index("110 -- nnnnnnnn 0100110100000001") - 1] == "28  25 23       15"
    assert out.count("CRC 8") == 1  # what the checksum is stands in one place, its name at every frame
    assert "\nCHECKSUMS\n  tail      CRC 8 of 0x1d (initial 0xff, final 0xff) over identifier, payload\n" in out
    assert (
        len(re.findall(r"(?m)^    byte \d  +checksum  +tail$", out)) == 45 + 2 * 2
    )  # two of the 45 have three lengths
    assert "3 counts/s x raw^2" in out
    assert "40000000 counts/s^2 / raw" in out
    assert "status: every 250 ms" in out
    assert "2 frames, all or nothing, 2 ms apart, 60 ms in all; clear_load undoes a part" in out


def rounding_rows(out):
    """Setting, raw, what it is, what is asked for, what it becomes."""
    text = out[out.index("for example, raw") :].split("\n\n")[0]
    return {row[0]: row for row in (re.split(r"  +", line.strip()) for line in text.splitlines()[2:])}


def test_worked_values_of_settings(capsys, monkeypatch):
    """3 * 180^2 = 97200; 40e6 / 40 = 1e6; 2000 * 4 = 8000, and 8002 rounded up is 2001; 50.8 % is nearest to 102."""
    rows = rounding_rows(page(capsys, monkeypatch, "index_drive"))
    assert rows["speed"][1:3] == ["180", "97200 counts/s"]
    assert 97_200 < float(rows["speed"][3].split()[0]) < 3 * 181**2
    assert rows["speed"][4] == "180"  # rounded down
    assert rows["acceleration"][1:3] == ["40", "1000000 counts/s^2"]
    assert rows["acceleration"][4] == "40"  # down is towards the smaller meaning
    assert rows["following_error"][1:] == ["2000", "8000 counts", "8002 counts", "2001"]
    assert rows["torque_limit"][1:] == ["101", "50.5 %", "50.8 %", "102"]


def test_what_has_no_default_is_said(capsys, monkeypatch):
    out = " ".join(page(capsys, monkeypatch, "terse").split())
    assert "A second load is refused; at the trigger a load is kept, and runs again at the next." in out
    assert "A loaded target counts from the target." in out
    assert "the position is the demanded one" in out
    assert "It has no latch" in out
    out = " ".join(page(capsys, monkeypatch, "index_drive").split())
    assert "A drive that hears nothing for 500 ms stops quickly by itself." in out
    assert "At most 4 requests are out at a time" in out
    assert "30 ms after enable, 5 ms after write_setting" in out
    assert "counts_per_motor_rev is read before the first motion" in out
