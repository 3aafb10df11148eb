"""The dialect that ships, and a second one: bytes written by hand from the files; laws over all messages."""

from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from choreo.diagnostic import Refused
from choreo.frame import Frame
from choreo.wire.described import load_dialect, shipped, shipped_file, shipped_names
from choreo.wire.dialect import TO_ALL
from choreo.wire.words import FrameClass, Setting

SHORT = shipped("short_frame")
TERSE = load_dialect(Path(__file__).parents[2] / "drive" / "terse.yaml")

# Composed by hand from the file: identifier = base + node, little-endian two's complement.
# 100000 = 0x000186A0, -100000 = 0xFFFE7960 (also in facts.md B8), 240 = 0x00F0.
SHORT_REQUESTS = [
    ("echo", 11, {"count": 7}, "14B#11.07"),
    ("read_position", 14, {}, "14E#12"),
    ("status", 31, {}, "15F#13"),
    ("read_inputs", 1, {}, "141#14"),
    ("read_setting", 12, {"number": 3}, "14C#21.03"),
    ("write_setting", 12, {"number": 1, "value": 1200}, "14C#22.01.B0.04"),
    ("arm_latch", 11, {}, "14B#25"),
    ("read_latch", 11, {}, "14B#26"),
    ("home", 11, {"edge": -39322}, "14B#27.66.66.FF.FF"),
    ("enable", 13, {}, "14D#31.01"),
    ("disable", 13, {}, "14D#31.00"),
    ("release_brake", 14, {}, "14E#32.00"),
    ("apply_brake", 14, {}, "14E#32.01"),
    ("reset_fault", 14, {}, "14E#33"),
    ("set_output", 13, {"output": 3, "on": 1}, "14D#34.03.01"),
    ("move", 11, {"target": -100000, "speed": 240}, "14B#41.60.79.FE.FF.F0.00"),
    ("preload", 11, {"target": 100000, "speed": 240}, "14B#42.A0.86.01.00.F0.00"),
    ("clear_load", 11, {}, "14B#43"),
    ("start", None, {}, "040#51"),
    ("stop", None, {}, "020#61"),
    ("stop", 11, {}, "02B#61"),
    ("quick_stop", None, {}, "020#62"),
    ("quick_stop", 12, {}, "02C#62"),
]


@pytest.mark.parametrize(("message", "node", "values", "text"), SHORT_REQUESTS)
def test_requests_of_the_short_frame_dialect(message, node, values, text):
    frame = SHORT.encode(message, node, **values)
    assert frame.text() == text
    decoded = SHORT.decode(frame)
    assert (decoded.message, decoded.node, decoded.values, decoded.from_drive) == (message, node, values, False)


def test_every_request_of_the_short_frame_dialect_is_in_the_table():
    assert {message for message, *_ in SHORT_REQUESTS} == set(SHORT.frames.requests)


SHORT_ANSWERS = [
    ("12B#91.07", "echo", {"count": 7}),
    ("12B#92.60.79.FE.FF", "read_position", {"position": -100000}),
    (
        "12E#93.15.02",  # bits 0, 2 and 4
        "status",
        {"enabled": 1, "moving": 0, "homed": 1, "loaded": 0, "brake_applied": 1, "in_position": 0, "fault": 2},
    ),
    ("12B#C2.A0.86.01.00", "preload", {"target": 100000}),
    ("12B#EE.42.01", "error_reply", {"refused": 0x42, "error": 1}),
    ("06B#F1.05", "fault", {"fault": 5}),
    ("06B#F0", "boot", {}),
]


@pytest.mark.parametrize(("text", "message", "values"), SHORT_ANSWERS)
def test_answers_and_events_of_the_short_frame_dialect(text, message, values):
    identifier, data = text.split("#")
    decoded = SHORT.decode(Frame(int(identifier, 16), bytes.fromhex(data.replace(".", ""))))
    assert (decoded.message, decoded.values, decoded.from_drive) == (message, values, True)
    assert decoded.frame_class is FrameClass.NEUTRAL
    assert decoded.node == int(identifier, 16) & 0x1F


@pytest.mark.parametrize(
    "text",
    [
        "14B#12.00",  # longer than a position request
        "14B#42.A0.86.01.00.F0",  # a byte short
        "140#12",  # a broadcast of what must not be
        "041#51",  # a start for one node alone
        "160#12",  # node 32
        "14B#99",  # no such command
        "0CB#12",  # no range
        "14B#31.02",  # neither enable nor disable
    ],
)
def test_what_is_none_of_the_dialect_is_none(text):
    identifier, data = text.split("#")
    assert SHORT.decode(Frame(int(identifier, 16), bytes.fromhex(data.replace(".", "")))) is None


def test_big_endian_and_29_bits_by_hand():
    frame = TERSE.encode("preload", 90, target=-2)
    assert frame == Frame(0x015515A, bytes.fromhex("09 FF FF FE"), extended=True)
    assert TERSE.encode("start", None) == Frame(0x015507F, b"", extended=True)
    status = Frame(0x0155103, bytes.fromhex("12 34 56 AA BB C0 83"), extended=True)
    decoded = TERSE.decode(status)
    assert decoded.message == "status"
    assert decoded.from_drive
    assert decoded.node == 3
    assert decoded.values == {"position": 0x123456, "loaded": 0, "fault": 0, "moving": 1, "enabled": 1}


def shapes_of(dialect):
    return [
        *[("encode", name, shape) for name, shape in dialect.frames.requests.items()],
        *[("encode_reply", name, shape) for name, shape in dialect.frames.replies.items()],
        *[("encode_event", name, shape) for name, shape in dialect.frames.events.items()],
        ("encode_error", None, dialect.frames.error_reply),
    ]


@pytest.mark.parametrize("dialect", [SHORT, TERSE], ids=lambda dialect: dialect.name)
@given(data=st.data())
def test_every_frame_of_a_dialect_comes_back_as_itself(dialect, data):
    method, name, shape = data.draw(st.sampled_from(shapes_of(dialect)))
    node = data.draw(st.integers(*dialect.node_range))
    if shape.broadcast == "only" or (shape.broadcast == "allowed" and data.draw(st.booleans())):
        node = None
    values = {field: data.draw(st.integers(*bounds)) for field, bounds in shape.layout.ranges.items()}
    frame = getattr(dialect, method)(*([name] if name else []), node, **values)
    decoded = dialect.decode(frame)
    assert decoded.message == (name or "error_reply")
    assert decoded.node == node
    assert decoded.values == values
    assert decoded.from_drive == (method != "encode")
    if method == "encode":
        assert decoded.frame_class is dialect.class_of(name)


@pytest.mark.parametrize("dialect", [SHORT, TERSE], ids=lambda dialect: dialect.name)
@given(
    identifier=st.one_of(st.integers(0, 0x7FF), st.integers(0x0155000, 0x01551FF), st.integers(0, (1 << 29) - 1)),
    data=st.binary(max_size=8),
    extended=st.booleans(),
    remote=st.booleans(),
)
def test_no_frame_makes_decoding_raise(dialect, identifier, data, extended, remote):
    decoded = dialect.decode(Frame(identifier, data, extended, remote))
    if decoded is not None:
        assert not remote
        assert decoded.node is None or dialect.node_range[0] <= decoded.node <= dialect.node_range[1]


def test_what_does_not_fit_is_refused_in_words():
    with pytest.raises(ValueError, match=r"^preload: target 2147483648 is outside -2147483648 to 2147483647$"):
        SHORT.encode("preload", 11, target=1 << 31, speed=1)
    with pytest.raises(ValueError, match=r"^preload: speed 65536 is outside 0 to 65535$"):
        SHORT.encode("preload", 11, target=0, speed=65536)
    with pytest.raises(ValueError, match=r"^preload: node 32 is outside 1 to 31$"):
        SHORT.encode("preload", 32, target=0, speed=1)
    with pytest.raises(ValueError, match=r"'jog'"):
        SHORT.encode("jog", 11)
    with pytest.raises(ValueError, match=r"^error_reply: error 256 is outside 0 to 255$"):
        SHORT.encode_error(11, refused=1, error=256)


def test_what_the_short_frame_dialect_says_of_itself():
    assert (SHORT.name, SHORT.family, SHORT.node_range) == ("short_frame", "described", (1, 31))
    assert SHORT.settings[Setting.SPEED].step == 1024
    assert SHORT.settings[Setting.SPEED].special == {0: "no limit"}
    assert SHORT.settings[Setting.TORQUE_LIMIT].maximum == 100
    assert SHORT.move_speed == SHORT.settings[Setting.SPEED]
    assert [SHORT.setting_by_number(number) for number in (1, 6, 7)] == [Setting.SPEED, Setting.TORQUE_LIMIT, None]
    assert SHORT.poll_bytes == (1, 5)
    assert SHORT.counter_modulus == 256
    assert SHORT.position_range == (-(1 << 31), (1 << 31) - 1)
    assert SHORT.can_latch
    assert SHORT.loads.relative_to == "never"
    assert SHORT.loads.cleared_by == {"clear_load"}
    assert (SHORT.stop_ramp, SHORT.quick_stop_ramp) == (Setting.ACCELERATION, Setting.QUICK_STOP)
    assert (SHORT.timing.reply_within_ns, SHORT.timing.latch_ns) == (3_000_000, 500_000)
    assert SHORT.errors[7] == "brake is applied"
    assert SHORT.faults[1] == "following error"


def test_what_the_terse_dialect_says_of_itself():
    assert (TERSE.node_range, TERSE.poll_bytes, TERSE.counter_modulus) == ((3, 90), (1, 7), 65536)
    assert TERSE.position_range == (-(1 << 23), (1 << 23) - 1)
    assert TERSE.settings[Setting.SPEED].step == Fraction(3, 2)
    assert TERSE.position_is == "demanded"
    assert not TERSE.can_latch
    assert TERSE.permanent_settings == {Setting.SPEED}
    assert TERSE.errors == {257: "out of range"}
    assert TERSE.timing.gap_ns == 1_000_000


@given(st.integers(-(1 << 31), (1 << 31) - 1))
def test_a_position_is_read_as_quickly_as_exactly(position):
    reply = SHORT.encode_reply("read_position", 11, position=position)
    assert SHORT.position_reader()(reply.data) == position


def test_a_dialect_is_compiled_once_and_again_when_its_text_changes(tmp_path):
    text = shipped_file("short_frame").read_text("utf-8")
    mine = tmp_path / "mine.yaml"
    mine.write_text(text, "utf-8")
    first = load_dialect(mine)
    assert load_dialect(mine) is first
    mine.write_text(text.replace("to: 31", "to: 30"), "utf-8")
    assert load_dialect(mine).node_range == (1, 30)


def test_names_that_ship():
    assert "short_frame" in shipped_names()
    with pytest.raises(Refused) as refused:
        shipped("short_fram")
    assert refused.value.findings[0].help.startswith("Did you mean `short_frame`?")


@pytest.mark.parametrize("name", shipped_names())
def test_every_dialect_that_ships_compiles_under_its_own_name(name):
    assert shipped(name).name == name


RECIPES = Path(__file__).parents[3] / "recipes"
ALL = [
    SHORT,
    TERSE,
    *(load_dialect(RECIPES / f"{name}_drive.yaml") for name in ("index_table/index", "test_wall/plunger")),
]


@pytest.mark.parametrize("dialect", ALL, ids=lambda dialect: dialect.name)
def test_every_identifier_of_a_node_is_that_nodes(dialect):
    first, last = dialect.node_range
    for node in (first, (first + last) // 2, last):
        found = dialect.identifiers([node])
        assert dialect.encode(dialect.position_message, node, **_counted(dialect, dialect.position_message)).id in found
        assert [dialect.addressee(identifier) for identifier in found] == [node] * len(found)


def _counted(dialect, message):
    return {} if dialect.frames.requests[message].rolling is None else {"rolling": 1}


@pytest.mark.parametrize("dialect", ALL, ids=lambda dialect: dialect.name)
def test_what_is_said_to_all_is_what_it_is(dialect):
    assert dialect.decode(dialect.start_frame).frame_class is FrameClass.STARTS
    assert dialect.stop_frames
    for frame in (dialect.start_frame, *dialect.stop_frames):
        assert dialect.decode(frame).node is None
        assert dialect.addressee(frame.id) == TO_ALL
    assert {dialect.decode(frame).frame_class for frame in dialect.stop_frames} == {FrameClass.STOPS}


def test_identifiers_of_the_sample_by_hand():
    """base + node: replies 0x120, requests 0x140, events 0x060, stops to one node 0x020 (the file, node 11)."""
    assert sorted(SHORT.identifiers([11])) == [0x02B, 0x06B, 0x12B, 0x14B]
    assert SHORT.addressee(0x04B) is None  # a start is for all drives or for none
    assert SHORT.addressee(0x7FF) is None
