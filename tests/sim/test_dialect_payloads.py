"""Checksums, shortest forms, several lengths, identifiers, and scales, as the drive reads them."""

from fractions import Fraction
from math import inf

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from choreo.errors import RecipeError
from choreo.frame import Frame
from choreo_sim.dialect.checksums import Address
from choreo_sim.dialect.identifiers import ranges_of
from choreo_sim.dialect.layout import Verdict
from choreo_sim.dialect.scales import rule_of
from choreo_sim.dialect_reader import Form
from choreo_sim.yaml_tree import tree_of

from .dialects import MESSAGES, read, small, text_of

HERE = Address(0x14B, False, 11)


def form(parts: str, order: str = "little") -> Form:
    return Form(tree_of(f"p: [{parts}]", "x.yaml").need("p"), order)


@pytest.mark.parametrize(
    ("checksum", "data"),
    [
        ("sum 8", "12 34 46"),
        ("sum 16", "12 34 46 00"),
        ("xor 8", "12 34 26"),
        ("sum 8}, {a: unsigned 8", None),
    ],
)
def test_sums_cover_all_other_bytes_in_order(checksum, data):
    parts = f"{{constant: 0x12}}, {{constant: 0x34}}, {{checksum: {checksum}}}"
    if data is None:  # the checksum need not be the last
        assert form(parts).build({"a": 0xC0}) == bytes.fromhex("12 34 06 C0")  # 12 + 34 + C0 is 106
    else:
        assert form(parts).build({}) == bytes.fromhex(data)


@pytest.mark.parametrize(
    ("over", "extended", "expected"),
    [
        ("payload", False, 0x12),
        ("identifier, payload", False, 0x12 + 0x01 + 0x4B),
        ("identifier, payload", True, 0x12 + 0x00 + 0x00 + 0x01 + 0x4B),
        ("node, payload", False, 0x12 + 11),
        ("node", False, 11),
        ("identifier", False, 0x4C),
        ("a", False, 0x12),
        ("a, a, node", False, 0x12 + 0x12 + 11),
    ],
)
def test_a_checksum_may_cover_what_lies_outside_the_payload(over, extended, expected):
    found = form(f"{{a: unsigned 8}}, {{checksum: sum 8, over: [{over}]}}")
    where = Address(0x14B, extended, 11)
    assert found.build({"a": 0x12}, where) == bytes([0x12, expected])
    assert found.unpack(bytes([0x12, expected]), where) == {"a": 0x12}
    assert found.read(bytes([0x12, expected ^ 1]), where) == (Verdict.DAMAGED, {})


def test_a_checksum_of_two_bytes_has_the_order_of_the_payload():
    parts = "{constant: 0xFF}, {constant: 0x02}, {checksum: sum 16}"
    assert form(parts, "big").build({}) == bytes.fromhex("FF 02 01 01")
    assert form(parts, "little").build({}) == bytes.fromhex("FF 02 01 01")
    crc = "{checksum: {crc: 16, polynomial: 0x1021, initial: 0xFFFF}}"
    # CRC-16/IBM-3740 of 31 is 0xC782 (crccheck 1.3.1)
    assert form("{constant: 0x31}, " + crc, "big").build({}) == bytes.fromhex("31 C7 82")
    assert form("{constant: 0x31}, " + crc, "little").build({}) == bytes.fromhex("31 82 C7")


ECHO = (
    "{class: neutral, request: {on: ask, payload: [{constant: 1}, {count: unsigned 8}, {checksum: PART}]},"
    " reply: {on: say, payload: [{constant: 1}, {count: unsigned 8}], means: done}}"
)


@pytest.mark.parametrize(
    ("definition", "spelled", "data"),
    [
        ("{sum: 8}", "sum 8", "01 05 06"),
        ("{sum: 8, over: [node, payload]}", "sum 8, over: [node, payload]", "01 05 11"),  # 1 + 5 + 11
        ("{xor: 8, over: [count]}", "xor 8, over: [count]", "01 05 05"),
        ("{sum: 16, order: little}", "sum 16, order: little", "01 05 06 00"),
        ("{crc: 8, polynomial: 0x07}", "{crc: 8, polynomial: 0x07}", "01 05 0E"),  # CRC-8/SMBUS (crccheck 1.3.1)
    ],
)
def test_a_checksum_may_be_defined_once_by_a_name(definition, spelled, data):
    named = small({"echo": ECHO.replace("PART", "tail")}, checksums=f"{{tail: {definition}}}")
    whole = small({"echo": ECHO.replace("PART", spelled)})
    frame = Frame(0x20B, bytes.fromhex(data))
    for dialect in (named, whole):
        assert dialect.messages["echo"].request_frame(11, {"count": 5}, extended=False) == frame
        assert dialect.request_of(frame)[2] == {"count": 5}
        assert dialect.request_of(Frame(0x20B, frame.data[:-1] + b"\xee")) is None


@pytest.mark.parametrize(
    ("definition", "part", "complaint"),
    [
        ("{tail: {sum: 8}}", "tial", "or a defined name"),
        ("{tail: {sum: 8}}", "tail, over: [payload]", "'over' means nothing here"),
        ("{tail: {sum: 16}}", "tail, order: big", "'order' means nothing here"),
        ("{tail: {}}", "tail", "one of sum, xor and crc"),
        ("{tail: {sum: 8, xor: 8}}", "tail", "not 2 of them"),
        ("{tail: {sum: 8, initial: 3}}", "tail", "'initial' belongs to a crc"),
        ("{tail: {xor: 16}}", "tail", "no xor of 16 bits"),
        ("{tail: {crc: 8}}", "tail", "'polynomial' is missing"),
        ("{tail: {crc: 8, polynom: 7}}", "tail", "did you mean 'polynomial'"),
        ("[tail]", "tail", "a mapping is expected"),
    ],
)
def test_a_definition_that_a_drive_cannot_compute(definition, part, complaint):
    with pytest.raises(RecipeError, match=complaint) as refused:
        small({"echo": ECHO.replace("PART", part)}, checksums=definition)
    assert refused.value.headline.startswith("small.yaml:")


def test_the_shortest_form_that_holds_the_value_is_sent_and_any_is_read():
    found = form("{constant: 5}, {value: shortest unsigned}", "big")
    assert found.build({"value": 0}) == bytes.fromhex("05 00")
    assert found.build({"value": 255}) == bytes.fromhex("05 FF")
    assert found.build({"value": 256}) == bytes.fromhex("05 01 00")
    assert found.build({"value": 1 << 48}) == bytes.fromhex("05 01 00 00 00 00 00 00")
    assert found.unpack(bytes.fromhex("05 00 00 07")) == {"value": 7}
    assert found.range_of("value") == (0, (1 << 56) - 1)  # a frame has no room for eight bytes of it


def test_a_shortest_form_may_have_widths_of_its_own_and_stand_in_the_middle():
    found = form("{value: shortest signed 16 32}, {constant: 9}")
    assert found.build({"value": -1}) == bytes.fromhex("FF FF 09")
    assert found.build({"value": -40000}) == bytes.fromhex("C0 63 FF FF 09")
    assert found.unpack(bytes.fromhex("C0 63 FF FF 09")) == {"value": -40000}
    assert found.unpack(bytes.fromhex("C0 63 FF 09")) is None


def test_a_reply_of_several_lengths_is_the_first_that_holds_it_all():
    dialect = small(
        {
            "read_position": "{class: neutral, request: {on: ask, payload: [{constant: 2}]}, reply: {on: say, payloads:"
            " [[{constant: 2}, {position: signed 16}], [{constant: 2}, {position: signed 32}]]}}"
        }
    )
    reply = dialect.messages["read_position"].reply
    assert reply.build({"position": -2}) == bytes.fromhex("02 FF FE")
    assert reply.build({"position": 70000}) == bytes.fromhex("02 00 01 11 70")
    assert dialect.reply_of(Frame(0x30B, bytes.fromhex("02 FF FE")))[2] == {"position": -2}
    assert dialect.reply_of(Frame(0x30B, bytes.fromhex("02 00 01 11 70")))[2] == {"position": 70000}
    assert dialect.reply_of(Frame(0x30B, bytes.fromhex("02 00 01 11"))) is None
    assert dialect.position_range() == (-(1 << 31), (1 << 31) - 1)


def test_identifiers_drawn_as_bit_fields():
    """29 bits: 101, two that nobody looks at, eight of the node, 0x4D01."""
    tree = tree_of(
        "i: {bits: 29, answer: {fields: [{constant: 0b101, bits: 3}, {ignored: 2}, {node: 8},"
        " {constant: 0x4D01, bits: 16}]}, plain: {base: 0x100}}",
        "x.yaml",
    )
    extended, ranges = ranges_of(tree.need("i"))
    assert extended
    answer = ranges["answer"]
    assert answer.identifier(11) == 0b101_00_00001011_0100110100000001
    assert answer.node_of(0b101_00_00001011_0100110100000001) == 11
    assert answer.node_of(0b101_11_00001011_0100110100000001) == 11
    assert answer.node_of(0b100_00_00001011_0100110100000001) is None
    assert answer.node_of(0b101_00_00001011_0100110100000000) is None
    assert ranges["plain"].identifier(11) == 0x10B
    assert ranges["plain"].node_of(0x0FF) is None


@pytest.mark.parametrize(
    ("fields", "complaint"),
    [
        ("{fields: [{node: 8}, {constant: 1, bits: 2}]}", "leave 1 of 11 bits open"),
        ("{fields: [{node: 8}, {constant: 1, bits: 4}]}", "more than the 11 bits"),
        ("{fields: [{node: 4}, {node: 4}, {ignored: 3}]}", "the node number stands here twice"),
        ("{fields: [{constant: 1, bits: 11}]}", "{node: 8}, is missing"),
        ("{fields: [{constant: 8, bits: 3}, {node: 8}]}", "outside 0 to 7"),
        ("{fields: [{name: 8}, {node: 3}]}", "is expected here"),
        ("{base: 0x800}", "outside 0 to 2047"),
        ("{base: 0x100, fields: []}", "exclude each other"),
        ("{offset: 0x100}", "means nothing here"),
    ],
)
def test_identifiers_that_cannot_be_are_refused(fields, complaint):
    with pytest.raises(RecipeError, match=r"^x\.yaml:1:\d+  ") as caught:
        ranges_of(tree_of(f"i: {{bits: 11, a: {fields}}}", "x.yaml").need("i"))
    assert complaint in caught.value.headline


def rule(text: str):
    return rule_of("speed", tree_of(f"s: {{number: 1, {text}}}", "x.yaml").need("s"))


def test_what_codes_mean():
    table = rule("table: {0: 10 counts/s, 1: 25 counts/s, 7: 80 counts/s}, special: {9: no limit}")
    assert [table.meaning(code) for code in (0, 1, 7, 9)] == [10, 25, 80, inf]
    assert [table.allows(code) for code in (0, 1, 2, 7, 8)] == [True, True, False, True, False]
    square = rule("polynomial: [0 counts/s, 0 counts/s, 3 counts/s], from: 1, to: 255")
    assert [square.meaning(code) for code in (1, 2, 255)] == [3, 12, 195075]
    assert [square.allows(code) for code in (0, 1, 255, 256)] == [False, True, True, False]
    share = rule("reciprocal: 40000000 counts/s^2, from: 20, to: 4000")
    assert [share.meaning(code) for code in (20, 4000)] == [2_000_000, 10_000]
    line = rule("unit: 1/2 %, from: 2, to: 200")
    assert [line.meaning(code) for code in (2, 200)] == [1, 100]


@pytest.mark.parametrize(
    ("text", "physical", "code"),
    [
        ("table: {0: 10 counts/s, 1: 25 counts/s, 7: 80 counts/s}", 79, 1),
        ("table: {0: 10 counts/s, 1: 25 counts/s, 7: 80 counts/s}", 1, 0),
        ("table: {5: 10 counts/s, 1: 25 counts/s}", 1000, 1),
        ("polynomial: [0 counts/s, 0 counts/s, 3 counts/s], from: 1, to: 255", 65536, 147),  # 3 * 148^2 is 65712
        ("reciprocal: 40000000 counts/s^2, from: 20, to: 4000", 262144, 153),  # 40e6 / 152 is 263158, too much
        ("unit: 1024 counts/s, from: 1, to: 65535, special: {0: no limit}", 65536, 64),
        ("unit: 1024 counts/s, from: 0, to: 65535, special: {0: no limit}", 5, 1),
        ("unit: 1024 counts/s, from: 1, to: 30", 65536, 30),
    ],
)
def test_the_code_that_comes_nearest_from_below(text, physical, code):
    assert rule(text).nearest(Fraction(physical)) == code


@settings(max_examples=40)
@given(st.integers(1, 255), st.integers(0, 300_000))
def test_the_nearest_code_is_the_highest_that_does_not_exceed(low, physical):
    found = rule(f"polynomial: [7 counts/s, 0 counts/s, 3 counts/s], from: {low}, to: 255")
    code = found.nearest(Fraction(physical))
    fitting = [each for each in range(low, 256) if 7 + 3 * each * each <= physical]
    assert code == max(fitting, default=low)


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ("from: 1, to: 2", "exactly one of `unit`, `table`"),
        ("unit: 1 counts, table: {}", "exactly one of"),
        ("table: {}", "a table needs a row"),
        ("table: {0: 1 counts, 1: 1 counts}", "two codes mean the same"),
        ("unit: 0 counts, from: 1, to: 2", "above zero"),
        ("unit: 1 counts, from: 3, to: 2", "2 lies below 3"),
        ("polynomial: [1 counts], from: 0, to: 65536", "at most 65536 codes"),
        ("reciprocal: 1 counts, from: 0, to: 5", "nothing is divided by a code of 0"),
        ("unit: 1 counts, to: 5", "'from' is missing here"),
    ],
)
def test_scales_that_cannot_be_are_refused(text, complaint):
    with pytest.raises(RecipeError, match=r"^x\.yaml:1:\d+  ") as caught:
        rule(text)
    assert complaint in caught.value.headline


SERIES = MESSAGES | {
    "preload": "{class: loads, frames: [{request: {on: ask, payload: [{constant: 9}]}}], within: 1 ms, abort: nothing}"
}


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        (text_of(SERIES), "'nothing' is not known here"),
        (
            text_of(
                {
                    "echo": "{class: neutral, request: {on: ask, payloads: [[{constant: 1}, {count: unsigned 8}],"
                    " [{count: unsigned 8}, {constant: 1}]]}}"
                }
            ),
            "two of these payloads have the same length",
        ),
        (text_of({"echo": "{class: neutral, request: {on: ask, payloads: []}}"}), "at least one payload"),
        (text_of(watchdog="{within: 0 ms, then: stop}"), "a time above zero"),
        (text_of(watchdog="{within: 1 s, fed_by: [ecko], then: stop}"), "did you mean 'echo'?"),
        (text_of(events="{status: {on: tell, payload: [], every: 0 ms}}"), "a period must be above zero"),
        (text_of(nodes="{from: 1, to: 9}"), "the dialect has no broadcast number"),
        (text_of(timing="{reply_within: 1 ms, cycle: 1 ms, latch: 0 ms, quiet: {start_up: 1 ms}}"), "means nothing"),
        (text_of(permanent_settings="[speeed]"), "did you mean 'speed'?"),
        (text_of(move_speed="{setting: jerk}"), "'jerk' is not known here"),
        (text_of(stops="{stop: {ramp: speed}, quick_stop: {ramp: quick_stop}}"), "'speed' is not known here"),
        (text_of(states="{one: [enabled]}"), "'one' is not a whole number"),
        (text_of(position="{is: guessed}"), "'guessed' is not known here"),
        (
            text_of(events="{status: {on: tell, payload: [{a: shortest signed}, {b: shortest signed}]}}"),
            "at most one field of a payload may have the shortest form",
        ),
        (text_of(events="{status: {on: tell, payload: [{a: shortest signed 32 16}]}}"), "from the narrowest"),
        (text_of(events="{status: {on: tell, payload: [{checksum: sum 12}]}}"), "no sum of 12 bits"),
        (
            text_of(events="{status: {on: tell, payload: [{checksum: sum 8, over: [count]}]}}"),
            "nothing that a checksum",
        ),
        (text_of(events="{status: {on: tell, payload: [{checksum: {crc: 12, polynomial: 1}}]}}"), "whole bytes"),
    ],
)
def test_what_a_drive_cannot_speak_is_refused_with_its_place(text, complaint):
    with pytest.raises(RecipeError, match=r"^small\.yaml:\d+:\d+  ") as caught:
        read(text)
    assert complaint in caught.value.headline
