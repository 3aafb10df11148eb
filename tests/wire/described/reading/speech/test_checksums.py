"""Checksums that a dialect file defines once: a name in a payload says what is spelled out elsewhere."""

import re

import pytest
from crccheck.crc import Crc8SaeJ1850, Crc16Ibm3740

from choreo.frame import Frame
from wire.described.reading.mistaken import changed, compiled, findings_of, marked, message

READ_POSITION = message("read_position")
POSITION = "{position: signed 32}]"
CRC = "crc: 8, polynomial: 0x1D, initial: 0xFF, reflected: false, final: 0xFF"
TAIL = f"{CRC}, over: [identifier, payload]"
WIDE = "crc: 16, polynomial: 0x1021, initial: 0xFFFF, reflected: false, final: 0, over: [identifier, payload]"


def with_part(part, definition=""):
    """The reply to read_position ends with a part; `definition` is what stands under `checksums:`."""
    summed = READ_POSITION.replace(POSITION, POSITION[:-1] + f", {part}]")
    last = "  latch: 0.5 ms\n"
    section = f"checksums: {definition}\n" if definition else ""
    return changed((READ_POSITION, summed), (last, last + section))


def reply(text):
    return compiled(text).encode_reply("read_position", 11, position=0x1234)


@pytest.mark.parametrize(
    ("definition", "spelled"),
    [
        ("{sum: 8}", "{checksum: sum 8}"),
        ("{sum: 16, over: [node, payload]}", "{checksum: sum 16, over: [node, payload]}"),
        ("{xor: 8, over: [position]}", "{checksum: xor 8, over: [position]}"),
        (f"{{{TAIL}}}", f"{{checksum: {{{CRC}}}, over: [identifier, payload]}}"),
        ("{sum: 16, order: big}", "{checksum: sum 16, order: big}"),
    ],
)
def test_a_name_means_what_is_spelled_out(definition, spelled):
    named = compiled(with_part("{checksum: tail}", f"{{tail: {definition}}}"))
    whole = compiled(with_part(spelled))
    for position in (0, -1, 0x1234, 0x7FFFFFFF):
        frame = named.encode_reply("read_position", 11, position=position)
        assert frame == whole.encode_reply("read_position", 11, position=position)
        assert named.decode(frame) == whole.decode(frame)
        assert named.position_reader(11)(frame.data) == position
        assert named.decode(Frame(frame.id, frame.data[:-1] + bytes([frame.data[-1] ^ 1]))) is None


def test_against_other_peoples_code():
    """crccheck, CRC-8 SAE J1850 and CRC-16/IBM-3740: the identifier 0x12B in two bytes, then the data before it."""
    data = bytes.fromhex("92 34 12 00 00")
    covered = bytes.fromhex("01 2B") + data
    assert reply(with_part("{checksum: tail}", f"{{tail: {{{TAIL}}}}}")).data == data + bytes(
        [Crc8SaeJ1850.calc(covered)]
    )
    expected = Crc16Ibm3740.calc(covered).to_bytes(2, "big")
    assert reply(with_part("{checksum: tail}", f"{{tail: {{{WIDE}, order: big}}}}")).data == data + expected


def test_several_names_and_one_that_is_spelled_out():
    """The sum by hand: 0x92 + 0x34 + 0x12 = 0xD8."""
    echo = message("echo")
    text = with_part("{checksum: tail}", "{tail: {sum: 8}, head: {xor: 8}}")
    text = text.replace(echo, re.sub(r"\{count: unsigned 8\}\]", "{count: unsigned 8}, {checksum: head}]", echo))
    dialect = compiled(text)
    assert dialect.encode_reply("read_position", 11, position=0x1234).data.hex() == "9234120000d8"
    request = dialect.encode("echo", 11, count=1).data
    assert request[2] == request[0] ^ 1


def test_a_definition_may_be_called_as_its_kind():
    """`sum 8` has a space, so no name can be taken for it."""
    assert reply(with_part("{checksum: sum}", "{sum: {xor: 8}}")).data[-1] == 0x92 ^ 0x34 ^ 0x12


# definitions, the part, the rule, the marked text, words of the headline, words of the help
MISTAKES = {
    "an unknown name": ("{tail: {sum: 8}}", "{checksum: tial}", "value", "tial", "cannot be `tial`", "`tail`"),
    "a name where nothing is defined": ("", "{checksum: tail}", "value", "tail", "cannot be `tail`", "sum 8"),
    "over beside a name": (
        *("{tail: {sum: 8}}", "{checksum: tail, over: [payload]}", "checksum", "over"),
        *("is `tail`, and has `over` beside it", "where tail is defined"),
    ),
    "an order beside a name": (
        *("{tail: {sum: 16}}", "{checksum: tail, order: big}", "checksum", "order"),
        *("has `order` beside it", "another name"),
    ),
    "never used": ("{tail: {sum: 8}, head: {xor: 8}}", "{checksum: tail}", "checksum", "head", "no payload", "take it"),
    "never used, and none other is": (
        "{head: {xor: 8}}",
        "{ignored: 8}",
        "checksum",
        "head",
        "no payload",
        "{checksum:",
    ),
    "no name": ("{sum 8: {sum: 8}}", "{checksum: sum 8}", "name", "sum 8", "is not a name", "small letters"),
    "no kind": ("{tail: {over: [payload]}}", "{checksum: tail}", "checksum", "{over", "in 0 ways", "{sum: 8}"),
    "two kinds": ("{tail: {sum: 8, xor: 8}}", "{checksum: tail}", "checksum", "{sum", "in 2 ways", "{sum: 8}"),
    "a misspelt kind": ("{tail: {sun: 8}}", "{checksum: tail}", "unknown-key", "sun", "`sun`", "`sum`"),
    "a width that there is not": ("{tail: {xor: 16}}", "{checksum: tail}", "value", "16", "cannot be `16`", "8"),
    "a CRC without its end": (
        *("{tail: {crc: 8, polynomial: 7, initial: 0, reflected: false}}", "{checksum: tail}", "missing-key", "{crc"),
        *("checksum tail has no `final`", "Add"),
    ),
    "a parameter of a CRC beside a sum": (
        *("{tail: {sum: 8, initial: 1}}", "{checksum: tail}", "unknown-key", "initial", "`initial`", "over"),
    ),
    "text for a definition": ("{tail: sum 8}", "{checksum: tail}", "kind", "sum 8", "must be a mapping", "key: value"),
    "no definitions": ("[sum 8]", "{checksum: sum 8}", "kind", "[sum 8]", "checksums must be a mapping", "key: value"),
    "over nothing": ("{tail: {sum: 8, over: []}}", "{checksum: tail}", "checksum", "[]", "covers nothing", "[payload]"),
    "over a field that is not there": (
        *("{tail: {sum: 8, over: [positoin]}}", "{checksum: tail}", "checksum", "{checksum: tail}"),
        *("covers `positoin`", "position"),
    ),
    "across bytes": (
        *("{tail: {sum: 8}}", "{ignored: 4}, {checksum: tail}, {ignored: 4}", "part", "{checksum: tail}"),
        *("not of whole bytes on a byte boundary", "multiples of 8"),
    ),
}


@pytest.mark.parametrize("name", MISTAKES)
def test_a_mistake_is_found_at_its_place(name):
    definition, part, rule, under, headline, help = MISTAKES[name]
    text = with_part(part, definition)
    (finding,) = findings_of(text)
    assert finding.rule == f"dialect-{rule}"
    assert marked(text, finding.primary).startswith(under)
    assert headline in finding.headline
    assert help in finding.help


@pytest.mark.parametrize("name", ["over beside a name", "over a field that is not there"])
def test_the_definition_is_shown_with_the_use(name):
    definition, part, *_ = MISTAKES[name]
    text = with_part(part, definition)
    (finding,) = findings_of(text)
    assert [marked(text, mark) for mark in finding.others] == ["tail"]


def test_a_name_is_not_called_unused_where_a_payload_could_not_be_read():
    text = with_part("{checksum: tail}", "{tail: {sum: 8}}").replace("position: signed 32", "position: singed 32", 1)
    rules = [finding.rule for finding in findings_of(text)]
    assert "dialect-checksum" not in rules
    assert "dialect-part" in rules
