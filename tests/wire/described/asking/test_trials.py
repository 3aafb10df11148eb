"""
Dialect test files: frames that say what they should are silent, every other is a finding with its line, what was
expected and what was found. Frames of short_frame are composed by hand from its file.
"""

from pathlib import Path

import pytest
from crccheck.crc import Crc8SaeJ1850

from choreo.cli import main
from choreo.diagnostic import Refused
from choreo.frame import frame_of
from choreo.text import compose, read_text
from choreo.wire.described import shipped_file
from choreo.wire.described.asking.alone import check_alone, is_alone
from choreo.wire.described.asking.trials import check_trials

ROOT = Path(__file__).parents[4]
EXAMPLE = ROOT / "recipes" / "index_table" / "index_drive_test.yaml"
HEAD = "choreo_dialect_test: 1\ndialect: short_frame\nframes:\n"


def found(tmp_path, rows, head=HEAD):
    path = tmp_path / "trials.yaml"
    path.write_text(head + "".join(f"  - {{{row}}}\n" for row in rows), encoding="utf-8")
    try:
        check_trials(path, "trials.yaml")
    except Refused as refused:
        return refused.findings
    return ()


def marked(tmp_path, finding):
    span = finding.primary.span
    line = (tmp_path / "trials.yaml").read_text().splitlines()[span.line - 1]
    return line[span.column - 1 : span.column - 1 + span.length]


SOUND = [
    "frame: '14B#12', says: {request: read_position, node: 11}, manual: page 12",
    "frame: '12B#92.00.10.00.00', says: {reply: read_position, node: 11, position: 4096}",
    "frame: '12B#EE.42.01', says: {error_reply: true, node: 11, refused: 0x42, error: 1}",
    "frame: '1FF#00', says: nothing",
    "frame: 040#51, says: {request: start, node: all}",
    "frame: 020#61, says: {request: stop, node: all}",
    "frame: 02B#61, says: {request: stop, node: 11}",
    "frame: 06B#F1.05, says: {event: fault, node: 11, fault: 5}",
    "frame: 12E#93.15.02, says: {reply: status, node: 14, enabled: 1, brake_applied: 1}",  # not all of its fields
    "frame: 14B#42.60.79.FE.FF.F0.00, says: {request: preload, node: 11, target: -100000, speed: 240}",
]


def test_what_says_what_it_should_is_silent(tmp_path):
    assert found(tmp_path, SOUND) == ()
    assert check_trials(tmp_path / "trials.yaml") == ("short_frame", len(SOUND))


# (the frame and what it should say; the rule, the marked text, words of the headline, words of the help)
WRONG = [
    (
        "frame: 12B#92.00.10.00.00, says: {reply: read_position, node: 11, position: 1048576}",
        (
            "dialect-test-value",
            "1048576",
            "position should be 1048576 (0x100000), and the dialect reads 4096",
            "byte order",
        ),
    ),
    (
        "frame: 14B#12, says: {request: status, node: 11}",
        (
            "dialect-test-other",
            "14B#12",
            "should be the request status, and the dialect takes it for the request read_position",
            "",
        ),
    ),
    (
        "frame: 12B#91.07, says: {request: echo, node: 11, count: 7}",
        (
            "dialect-test-other",
            "12B#91.07",
            "should be the request echo, and the dialect takes it for the reply to echo",
            "",
        ),
    ),
    (
        "frame: 14B#12, says: {request: read_position, node: 12}",
        (
            "dialect-test-node",
            "{request: read_position, node: 12}",
            "should be of node 12, and the dialect says node 11",
            "base",
        ),
    ),
    (
        "frame: 020#61, says: {request: stop, node: 11}",
        ("dialect-test-node", "{request: stop, node: 11}", "of node 11, and the dialect says all nodes", ""),
    ),
    (
        "frame: 12B#92.00.10.00, says: {reply: read_position, node: 11, position: 4096}",
        (
            "dialect-test-not-taken",
            "12B#92.00.10.00",
            "none of the dialect's frames",
            "would write 12B#92.00.10.00.00. Nearly",
        ),
    ),
    (
        "frame: 14B#31.02, says: {request: enable, node: 11}",
        ("dialect-test-not-taken", "14B#31.02", "should be the request enable", "byte 1 is 02, and that frame has 01"),
    ),
    (
        "frame: 14B#12, says: nothing",
        (
            "dialect-test-taken",
            "14B#12",
            "should be none of the dialect's, and is the request read_position of node 11",
            "too wide",
        ),
    ),
    (
        "frame: 14B#1, says: nothing",
        ("dialect-test-frame", "14B#1", "is no frame", "hexadecimal"),
    ),
    (
        "frame: 14B#12, says: {request: read_positon, node: 11}",
        ("dialect-value", "read_positon", "the request cannot be `read_positon`", "`read_position`"),
    ),
    (
        "frame: 14B#12, says: {node: 11}",
        ("dialect-test-says", "{node: 11}", "names no request, reply, event or error reply", "`says: nothing`"),
    ),
    (
        "frame: 14B#12, says: {request: echo, reply: echo, node: 11}",
        ("dialect-test-says", "{request: echo, reply: echo, node: 11}", "names request and reply", ""),
    ),
    (
        "frame: 14B#12, says: {request: read_position}",
        ("dialect-test-says", "{request: read_position}", "no `node`", "`node: 11`"),
    ),
    (
        "frame: 14B#12, says: {request: read_position, node: all}",
        ("dialect-test-says", "all", "never broadcast", "Name the node"),
    ),
    (
        "frame: 040#51, says: {request: start, node: 11}",
        ("dialect-test-says", "11", "broadcast only", "`node: all`"),
    ),
    (
        "frame: 14B#12, says: {request: read_position, node: 32}",
        ("dialect-value", "32", "outside 1 to 31", ""),
    ),
    (
        "frame: 14B#11.07, says: {request: echo, node: 11, cont: 7}",
        ("dialect-test-says", "cont", "the request echo has no field `cont`", "`count`"),
    ),
    (
        "frame: 14B#11.07, says: {request: echo, node: 11, count: 256}",
        ("dialect-value", "256", "outside 0 to 255", ""),
    ),
    (
        "frame: 14B#11.07, says: {request: echo, node: 11, count: seven}",
        ("dialect-value", "seven", "must be a whole number", ""),
    ),
    ("frame: 14B#12", ("dialect-missing-key", "{frame: 14B#12}", "no `says`", "Add")),
    ("frame: 14B#12, sais: nothing", ("dialect-unknown-key", "sais", "`sais`", "`says`")),
    ("frame: [14B#12], says: nothing", ("dialect-kind", "[14B#12]", "must be text", "")),
    ("frame: 14B#12, says: something", ("dialect-kind", "something", "must be a mapping", "")),
    ("frame: 12B#EE.42.01, says: {error_reply: yes, node: 11}", ("dialect-value", "yes", "error_reply", "true")),
]


@pytest.mark.parametrize(("row", "wanted"), WRONG, ids=[row for row, _ in WRONG])
def test_what_says_something_else_is_a_finding(tmp_path, row, wanted):
    rule, mark, headline, help = wanted
    (finding,) = found(tmp_path, [*SOUND, row])
    assert finding.rule == rule
    assert finding.primary.span.line == 4 + len(SOUND)
    assert marked(tmp_path, finding) == mark
    assert headline in finding.headline
    assert help in finding.help


def test_all_of_them_are_found_in_one_reading(tmp_path):
    rows = [row for row, _ in WRONG]
    assert len(found(tmp_path, rows)) == len(rows)


def with_dialect(tmp_path, old, new):
    """The head of a test file for short_frame with one part changed."""
    text = shipped_file("short_frame").read_text("utf-8")
    assert text.count(old) == 1
    (tmp_path / "mine.yaml").write_text(text.replace(old, new), "utf-8")
    return "choreo_dialect_test: 1\ndialect: ./mine.yaml\nframes:\n"


def test_what_is_ignored_may_be_anything(tmp_path):
    head = with_dialect(tmp_path, "payload: [{constant: 0x25}]", "payload: [{constant: 0x25}, {ignored: 8}]")
    assert found(tmp_path, ["frame: 14B#25.07, says: {request: arm_latch, node: 11}"], head) == ()


def test_what_is_read_and_written_otherwise_is_found(tmp_path):
    """1000.2 as an IEEE 754 float of 32 bits is 0x447A0CCD, 1000 is 0x447A0000, little-endian here."""
    head = with_dialect(tmp_path, "[{constant: 0x27}, {edge: signed 32}]", "[{constant: 0x27}, {edge: float 32}]")
    says = "says: {request: home, node: 11, edge: 1000}"
    assert found(tmp_path, [f"frame: 14B#27.00.00.7A.44, {says}"], head) == ()
    (finding,) = found(tmp_path, [f"frame: 14B#27.CD.0C.7A.44, {says}"], head)
    assert finding.rule == "dialect-test-bytes"
    assert "written again it is 14B#27.00.00.7A.44" in finding.headline


@pytest.mark.parametrize(
    ("head", "rule", "words"),
    [
        ("choreo_dialect_test: 2\ndialect: short_frame\nframes:\n", "dialect-value", "outside 1 to 1"),
        ("choreo_dialect_test: 1\nframes:\n", "dialect-missing-key", "no `dialect`"),
        ("choreo_dialect_test: 1\ndialect: shrt_frame\nframes:\n", "dialect-unknown", "no dialect `shrt_frame`"),
        ("choreo_dialect_test: 1\ndialect: ./none.yaml\nframes:\n", "unreadable-file", "none.yaml cannot be read"),
        ("choreo_dialect_test: 1\ndialect: short_frame\nfames:\n", "dialect-unknown-key", "`fames`"),
    ],
)
def test_mistakes_around_the_frames(tmp_path, head, rule, words):
    (finding, *_) = found(tmp_path, SOUND[:1], head)
    assert finding.rule == rule
    assert words in finding.headline
    assert finding.primary is not None


def test_a_test_without_frames_proves_nothing(tmp_path):
    (finding,) = found(tmp_path, [], "choreo_dialect_test: 1\ndialect: short_frame\nframes: []\n")
    assert finding.rule == "dialect-test-empty"


def test_mistakes_of_the_dialect_are_shown_there(tmp_path):
    (tmp_path / "mine.yaml").write_text("choreo_dialect: 1\nname: mine\n")
    findings = found(tmp_path, SOUND[:1], "choreo_dialect_test: 1\ndialect: ./mine.yaml\nframes:\n")
    assert findings
    assert {Path(finding.primary.span.file).name for finding in findings} == {"mine.yaml"}


def test_the_check_bytes_of_the_example_are_those_of_a_crc_library():
    """CRC-8 SAE J1850 of the identifier and the data before it (crccheck, a general-purpose CRC library)."""
    rows = compose(read_text(EXAMPLE))["frames"]
    checked = 0
    for row in rows:
        frame = frame_of(row["frame"])
        if row["says"] != "nothing" and frame.id >> 26 > 1:  # not stop and trigger, which have none
            assert Crc8SaeJ1850.calc(frame.id.to_bytes(4, "big") + frame.data[:-1]) == frame.data[-1]
            checked += 1
    assert checked > 30


# ---- choreo check ----------------------------------------------------------------------------------------------------


def test_check_knows_a_dialect_and_a_test_by_their_keys(capsys):
    assert main(["check", str(EXAMPLE)]) == 0
    assert capsys.readouterr().out.endswith("frames as dialect index_drive has them; nothing found\n")
    assert main(["check", str(EXAMPLE.with_name("index_drive.yaml"))]) == 0
    assert "dialect index_drive, 46 kinds of frame; nothing found" in capsys.readouterr().out


def test_check_shows_the_line(tmp_path, capsys):
    found(tmp_path, [WRONG[0][0]])
    assert main(["check", str(tmp_path / "trials.yaml")]) == 2
    out, err = capsys.readouterr()
    assert "trials.yaml:4:" in out
    assert "the dialect reads 4096" in out
    assert out.endswith("refused: 1 error\n")
    assert err == ""
    assert main(["check", str(tmp_path / "trials.yaml"), "--format", "json"]) == 2
    assert '"rule": "dialect-test-value"' in capsys.readouterr().out


def test_check_of_a_dialect_with_mistakes(tmp_path, capsys):
    path = tmp_path / "mine.yaml"
    path.write_text(shipped_file("short_frame").read_text("utf-8").replace("  at_trigger: consumed\n", ""), "utf-8")
    assert main(["check", str(path)]) == 2
    assert "no `at_trigger`" in capsys.readouterr().out


def test_a_dialect_has_no_parameters(capsys):
    assert main(["check", str(EXAMPLE), "--set", "stroke=5 mm"]) == 2
    assert "which has no parameters" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("data", "alone"),
    [
        (b"choreo_dialect: 1\n", True),
        (b"# a comment\nname: x\nchoreo_dialect: 1\n", True),
        (b"\xef\xbb\xbfchoreo_dialect_test: 1\n", True),
        (b'"choreo_dialect": 1\n', True),
        (b"{choreo_dialect: 1}\n", True),
        (b"choreo: 1\ntitle: choreo_dialect\n", False),
        (b"choreo: 1\nnote:\n  choreo_dialect: 1\n", False),
        (b"", False),
    ],
)
def test_what_is_told_from_a_recipe(tmp_path, data, alone):
    path = tmp_path / "file.yaml"
    path.write_bytes(data)
    assert is_alone(path) is alone


def test_a_file_that_is_none_is_left_to_the_recipe(tmp_path):
    assert not is_alone(tmp_path)
    assert not is_alone(tmp_path / "nowhere.yaml")
    assert check_alone(tmp_path / "nowhere.yaml").headline() == "refused: 1 error"
