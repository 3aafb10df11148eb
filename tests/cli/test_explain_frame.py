"""
`choreo explain frame`: frames taken apart, put together, and what is none.

Frames of short_frame are composed by hand from its file (100000 = 0x000186A0, 240 = 0x00F0). 4915.2 counts a millimetre
are those of the demonstration's beam (practice.md, the demo machine): 100000 counts are 20.3451 mm, 240 times 1024
counts/s are 50 mm/s.
"""

from pathlib import Path

import pytest

from choreo.cli import main

ROOT = Path(__file__).parents[2]
KILN = str(ROOT / "recipes" / "kiln_gantry" / "home_and_test.yaml")
INDEX = str(ROOT / "recipes" / "index_table" / "index_drive.yaml")
SHORT = ["--dialect", "short_frame"]


@pytest.fixture(autouse=True)
def hundred_columns(monkeypatch):
    monkeypatch.setenv("COLUMNS", "100")


def explained(capsys, *words):
    assert main(["explain", "frame", *words]) == 0
    out = capsys.readouterr().out
    assert all(len(line) <= 100 for line in out.splitlines())
    return out


def rows(out):
    return [" ".join(line.split()) for line in out.splitlines()]


def test_a_load_says_what_it_can_do_and_what_each_byte_is(capsys):
    out = explained(capsys, "14B#42.A0.86.01.00.F0.00", *SHORT)
    assert "the request preload of node 11" in out
    assert "Class loads: it puts a move into the drive, which the next start trigger sets off." in " ".join(out.split())
    assert "id bits 10-0 14B identifier 11 0x140 + node 11" in rows(out)
    assert "byte 0 42 constant 0x42" in rows(out)
    assert "bytes 1-4 A0 86 01 00 target 100000 100000 counts" in rows(out)
    assert "bytes 5-6 F0 00 speed 240 245760 counts/s" in rows(out)


def test_with_a_recipe_it_is_in_the_machines_words(capsys):
    out = explained(capsys, "14B#42.A0.86.01.00.F0.00", "--recipe", KILN)
    assert "node 11, beam_left" in out
    assert "bytes 1-4 A0 86 01 00 target 100000 20.3451 mm of beam_left, once it is homed" in rows(out)
    assert "bytes 5-6 F0 00 speed 240 245760 counts/s, 50 mm/s" in rows(out)
    # The right side counts the other way round, and its speed has no direction.
    out = explained(capsys, "14C#42.A0.86.01.00.F0.00", "--recipe", KILN)
    assert "bytes 1-4 A0 86 01 00 target 100000 -20.3451 mm of beam_right, once it is homed" in rows(out)
    assert "bytes 5-6 F0 00 speed 240 245760 counts/s, 50 mm/s" in rows(out)


def test_a_setting_is_named_and_scaled(capsys):
    out = explained(capsys, "14B#22.01.B0.04", "--recipe", KILN)
    assert "byte 1 01 number 1 the setting speed" in rows(out)
    assert "bytes 2-3 B0 04 value 1200 1228800 counts/s, 250 mm/s" in rows(out)
    assert "value 0 no limit" in " ".join(explained(capsys, "14B#22.01.00.00", *SHORT).split())


def test_a_reply_its_codes_and_its_bits(capsys):
    out = explained(capsys, "12E#93.15.02", *SHORT)  # bits 0, 2 and 4; fault 2
    assert "A drive says it; it commands nothing." in " ".join(out.split())
    assert "byte 1 bit 4 1 brake_applied 1 yes" in rows(out)
    assert "byte 1 bit 1 0 moving 0 no" in rows(out)
    assert "byte 2 02 fault 2 overcurrent" in rows(out)
    out = explained(capsys, "12B#EE.42.01", *SHORT)
    assert "byte 1 42 refused 66 preload" in rows(out)
    assert "byte 2 01 error 1 value out of range" in rows(out)


def test_a_broadcast(capsys):
    out = explained(capsys, "040#51", *SHORT)
    assert "the request start of all nodes" in out
    assert "it MOVES every axis whose drive holds a load" in " ".join(out.split())


def test_bit_fields_counts_and_checksums(capsys):
    """recipes/index_table/README.md, 7.1 to 7.3: kind 6, node 11; code 15, count 1; 01; sign and 100000; CRC."""
    found = rows(explained(capsys, "180B4D01#79.01.81.86.A0.92", "--dialect", INDEX))
    for row in (
        "id bits 28-26 110 constant 0x6",
        "id bits 25-24 00 not used",
        "id bits 23-16 00001011 node 11 node 11",
        "byte 0 bits 7-3 01111 constant 0xF",
        "byte 0 bits 2-0 001 rolling 1 the count of frames, which goes round",
        "bytes 2-4 81 86 A0 target -100000 -100000 counts",
        "byte 5 92 checksum right; tail, CRC 8 of 0x1d",
    ):
        assert row in found
    found = rows(explained(capsys, "140B4D01#1A.24.00.00.10.00.4B", "--dialect", INDEX))
    assert "byte 1 bits 7-4 0010 state 2 enabled, moving" in found
    assert "byte 1 bit 3 0 homed 1 yes; 1 is its opposite" in found


def test_a_frame_without_data(capsys):
    assert "It has no data bytes." in explained(capsys, "00FF4D01#", "--dialect", INDEX)


@pytest.mark.parametrize(
    ("frame", "words"),
    [
        ("14B#12.00", "Nearly the request read_position: it has 2 data bytes, and that frame has 1."),
        ("14B#42.A0.86.01.00.F0", "Nearly the request preload: it has 6 data bytes, and that frame has 7."),
        ("140#12", "Nearly the request read_position: it goes to all nodes, and that frame never does."),
        ("041#51", "Nearly the request start: it goes to node 1 alone, and that frame goes to all."),
        ("160#12", "identifier 160 would be node 32, and nodes are 1 to 31."),
        ("14B#31.02", "Nearly the request enable: byte 1 is 02, and that frame has 01."),
        ("14B#99", "Identifier 14B is that of node 11 for request echo"),
        ("7FF#", "Identifier 7FF is none of the dialect's."),
        ("14B#R", "It is a remote frame, and the dialect has none."),
        ("0000014B#12", "Its identifier has 29 bits, and the dialect's have 11."),
    ],
)
def test_what_a_frame_nearly_is(capsys, frame, words):
    out = explained(capsys, frame, *SHORT)
    assert f"{frame} is none of dialect short_frame's frames" in " ".join(out.split())
    assert words in " ".join(out.split())


def test_a_wrong_checksum_is_told_with_the_right_one(capsys):
    out = explained(capsys, "180B4D01#10.CA", "--dialect", INDEX)
    assert "Nearly the request read_position: its checksum is CA, and CB would be right." in out


@pytest.mark.parametrize(
    ("words", "text"),
    [
        (["echo", "--node", "11", "count=7"], "14B#11.07"),
        (["request", "preload", "target=-100000", "speed=0xF0", "--node", "11"], "14B#42.60.79.FE.FF.F0.00"),
        (["reply", "read_position", "--node", "11", "position=4096"], "12B#92.00.10.00.00"),
        (["event", "fault", "--node", "11", "fault=5"], "06B#F1.05"),
        (["error_reply", "--node", "11", "refused=0x42", "error=1"], "12B#EE.42.01"),
        (["start"], "040#51"),
        (["stop", "--node", "all"], "020#61"),
        (["stop", "--node", "12"], "02C#61"),
    ],
)
def test_frames_are_composed(capsys, words, text):
    assert explained(capsys, *words, *SHORT).startswith(f"{text} is ")


def test_composed_with_the_name_of_an_axis(capsys):
    out = explained(capsys, "read_position", "--node", "beam_right", "--recipe", KILN)
    assert out.startswith("14C#12 is the request read_position of node 12, beam_right")


def test_composed_with_count_and_checksum(capsys):
    out = explained(capsys, "preload.1", "target=100000", "rolling=1", "--node", "11", "--dialect", INDEX)
    assert out.startswith("180B4D01#79.01.01.86.A0.52 is ")


@pytest.mark.parametrize(
    ("words", "says", "help"),
    [
        ([], "no frame and no message is named", "choreo explain frame 14B#12"),
        (["14B#12"], "in a dialect only", "--recipe"),
        (["14B#1", *SHORT], "'14B#1' is no frame", "hexadecimal"),
        (["800#12", *SHORT], "0x800 is beyond 0x7ff", ""),
        (["14B#12", "x", *SHORT], "'x' does not go with the frame", ""),
        (["14B#12", "--node", "3", *SHORT], "--node", ""),
        (["14B#12", "--recipe", KILN, *SHORT], "both given", ""),
        (["14B#12", "--dialect", "shrt_frame"], "no dialect `shrt_frame`", "`short_frame`"),
        (["14B#12", "--dialect", "nowhere.yaml"], "nowhere.yaml cannot be read", ""),
        (["14B#12", "--recipe", "nowhere.yaml"], "nowhere.yaml cannot be read", ""),
        (["prelod", "--node", "11", *SHORT], "no request 'prelod'", "`preload`"),
        (["reply", "start", *SHORT], "no reply 'start'", ""),
        (["count=5", *SHORT], "no request is named", ""),
        (["echo", *SHORT], "echo has a field count, 0 to 255", "count=0"),
        (["echo", "count=7", *SHORT], "cannot be broadcast", "--node"),
        (["echo", "--node", "11", "count=256", *SHORT], "count 256 is outside 0 to 255", "count"),
        (["echo", "--node", "11", "count=7", "x=1", *SHORT], "x is none of its fields", "count"),
        (["echo", "--node", "11", "count=7 mm", *SHORT], "'count=7 mm' is no field with its value", "target=-4096"),
        (["echo", "--node", "32", "count=7", *SHORT], "node 32 is outside 1 to 31", ""),
        (["echo", "--node", "lift", "count=7", *SHORT], "'lift' is no node", "number"),
        (["echo", "--node", "liftt", "count=7", "--recipe", KILN], "'liftt' is no node", "`lift`"),
        (["start", "--node", "11", *SHORT], "broadcast only", ""),
        (["preload", "--node", "11", "--dialect", INDEX], "takes several frames", "preload.1 and preload.2"),
        (["error_reply", "--node", "11", *SHORT], "has a field refused", ""),
    ],
)
def test_wrong_input_is_one_clear_error(capsys, words, says, help):
    assert main(["explain", "frame", *words]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert says in err
    assert help in err
    assert "Traceback" not in err
    assert len(err.splitlines()) <= 3


@pytest.mark.parametrize(
    "words", [["explain", "move", "--node", "3"], ["explain", "--recipe", KILN], ["explain", "move", *SHORT]]
)
def test_options_of_frames_are_for_frames(capsys, words):
    assert main(words) == 2
    assert "frame" in capsys.readouterr().err


def test_an_unknown_option_is_bad_usage(capsys):
    assert main(["explain", "frame", "14B#12", "--nod", "3", "--colour"]) == 2
    assert capsys.readouterr().err.startswith("usage: choreo")
