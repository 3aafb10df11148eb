"""The whole description language: what a file says is what the dialect does; every mistake at its place."""

import re
from fractions import Fraction as F
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from choreo.diagnostic import Refused
from choreo.frame import Frame
from choreo.wire.described import shipped
from choreo.wire.described.frames.codec import Rolling
from choreo.wire.dialect import ScaleSetting, Watchdog
from choreo.wire.words import FrameClass, Setting
from wire.described.reading.mistaken import TEXT, changed, compiled, findings_of, line_of, marked, message

PRELOAD = message("preload")
STATUS = message("status")
READ_POSITION = message("read_position")
SPEED = line_of("  speed:")
IDENTIFIERS = TEXT[TEXT.index("  request: {base: 0x140}") : TEXT.index("byte_order:")]

SERIES = """  preload:
    class: loads
    frames:
      - {request: {on: request, payload: [{constant: 0x42}, {constant: 1}, {target: signed 32}]},
         reply: {on: reply, payload: [{constant: 0xC2}, {constant: 1}], means: received}}
      - {request: {on: request, payload: [{constant: 0x42}, {constant: 2}, {speed: unsigned 16}]},
         reply: {on: reply, payload: [{constant: 0xC2}, {constant: 2}], means: accepted}}
    gap: 2 ms
    within: 60 ms
    abort: clear_load
"""


def with_series(*changes):
    series = SERIES
    for old, new in changes:
        assert series.count(old) == 1, old
        series = series.replace(old, new)
    return changed((PRELOAD, series))


def test_a_verb_of_several_frames():
    dialect = compiled(with_series())
    series = dialect.frames.series["preload"]
    assert series == (("preload.1", "preload.2"), 2_000_000, 60_000_000, "clear_load")
    assert dialect.frames.parts("preload") == series.parts
    assert dialect.frames.parts("move") == ("move",)
    assert dialect.frames.parts("jog") == ()
    assert "preload" not in dialect.frames.requests
    first, second = dialect.encode("preload.1", 11, target=-2), dialect.encode("preload.2", 11, speed=3)
    assert (first.text(), second.text()) == ("14B#42.01.FE.FF.FF.FF", "14B#42.02.03.00")
    found = dialect.decode(first)
    assert (found.message, found.frame_class, found.values) == ("preload.1", FrameClass.LOADS, {"target": -2})
    assert dialect.decode(Frame(0x12B, b"\xc2\x02")).message == "preload.2"
    assert dialect.position_range == (-(1 << 31), (1 << 31) - 1)


def test_the_position_range_is_that_of_the_narrowest_frame():
    dialect = compiled(with_series(("target: signed 32", "target: signed 24")))
    assert dialect.position_range == (-(1 << 23), (1 << 23) - 1)


def test_identifiers_of_bit_fields_beside_bases():
    """1 0 node 0101 by hand for 11 bits: node 11 is 1 0 01011 0101 = 0x4B5."""
    fields = "  request: {fields: [{constant: 0b1, bits: 1}, {ignored: 1}, {node: 5}, {constant: 5, bits: 4}]}\n\n"
    dialect = compiled(changed((IDENTIFIERS, fields)))
    assert dialect.encode("read_position", 11).text() == "4B5#12"
    assert dialect.decode(Frame(0x6B5, b"\x12")).node == 11  # the ignored bit
    assert dialect.decode(Frame(0x4B4, b"\x12")) is None


def test_an_error_reply_of_several_lengths():
    old = "  payload: [{constant: 0xEE}, {refused: unsigned 8}, {error: unsigned 8}]"
    new = old.replace("payload: ", "payloads: [") + ", [{constant: 0xEE}, {refused: unsigned 8}, {error: unsigned 16}]]"
    dialect = compiled(changed((old, new)))
    for text, error in [("EE4201", 1), ("EE420201", 0x102)]:
        decoded = dialect.decode(Frame(0x12B, bytes.fromhex(text)))
        assert (decoded.message, decoded.values) == ("error_reply", {"refused": 0x42, "error": error})


def test_coded_states_and_status_events():
    status = STATUS.replace(
        "{bits: [enabled, moving, homed, loaded, brake_applied, in_position, -, -]}", "{state: bcd 8}"
    )
    states = "states: {0: [], 3: [enabled], 7: [enabled, moving], 0x10: [loaded]}\n"
    events = "events:\n  status: {on: event, payload: [{constant: 0xF2}, {state: unsigned 8}], every: 100 ms}\n"
    dialect = compiled(changed((STATUS, status), ("events:\n", events)) + states)
    assert dialect.states[7] == {"enabled", "moving"}
    assert dialect.event_periods == {"status": 100_000_000}
    assert dialect.status_words == {"state", "fault", "enabled", "moving", "loaded"}
    values = dialect.decode(Frame(0x12B, bytes.fromhex("93 03 02"))).values
    assert dialect.status_values(values) == {"enabled": 1, "moving": 0, "loaded": 0, "state": 3, "fault": 2}
    assert dialect.status_values({"state": 5, "fault": 0}) is None
    assert shipped("short_frame").status_values({"enabled": 1}) == {"enabled": 1}


def test_scales_of_every_kind():
    text = changed(
        (
            SPEED,
            "  speed: {number: 1, polynomial: [0 counts/s, 0 counts/s, 3 counts/s], from: 1, to: 255,\n"
            "          rounding: down}\n",
        ),
        (
            line_of("  acceleration:"),
            "  acceleration: {number: 2, reciprocal: 4000000 counts/s^2, from: 4, to: 4000, rounding: nearest}\n",
        ),
        (
            line_of("  quick_stop:      {number"),
            "  quick_stop: {number: 4, table: {0: 10 counts/s^2, 1: 25 counts/s^2}, rounding: up,\n"
            "               special: {9: none}}\n",
        ),
    )
    dialect = compiled(text)
    assert dialect.settings[Setting.SPEED].from_raw(10) == 300
    assert dialect.settings[Setting.ACCELERATION].from_raw(4000) == 1000
    assert dialect.settings[Setting.QUICK_STOP].to_raw(F(11)) == 1
    assert dialect.settings[Setting.QUICK_STOP].special == {9: "none"}
    assert dialect.move_speed is dialect.settings[Setting.SPEED]


def test_what_else_a_drive_does():
    text = changed(
        ("  latch: 0.5 ms", "  latch: 0.5 ms\n  outstanding: 2\n  quiet: {enable: 50 ms, write_setting: 5 ms}")
    )
    text += "watchdog: {within: 500 ms, fed_by: [status, read_position], then: disable}\n"
    text += "scale_settings: {counts_per_motor_rev: {number: 40, unit: 2 counts}}\n"
    dialect = compiled(text)
    assert dialect.timing.outstanding == 2
    assert dialect.timing.quiet == {"enable": 50_000_000, "write_setting": 5_000_000}
    assert dialect.watchdog == Watchdog(500_000_000, frozenset({"status", "read_position"}), "disable")
    assert dialect.scale_settings == {"counts_per_motor_rev": ScaleSetting(40, F(2))}
    assert compiled(TEXT + "watchdog: {within: 1 s, fed_by: any, then: stop}\n").watchdog.fed_by is None
    short = shipped("short_frame")
    assert (short.timing.outstanding, short.timing.quiet, short.watchdog, short.states) == (None, {}, None, {})


def test_counters_that_roll():
    """The sum by hand: 0x12 + 0x05 = 0x17."""
    asked = READ_POSITION.replace(
        "[{constant: 0x12}]", "[{constant: 0x12}, {rolling: 4, echoed: true}, {ignored: 4}, {checksum: sum 8}]"
    )
    asked = asked.replace("{position: signed 32}]", "{position: signed 32}, {rolling: 4}, {ignored: 4}]")
    dialect = compiled(changed((READ_POSITION, asked)))
    shape = dialect.frames.requests["read_position"]
    assert shape.rolling == Rolling(4, True)
    assert dialect.frames.replies["read_position"].rolling == Rolling(4, False)
    assert shape.layout.ranges == {"rolling": (0, 15)}
    assert dialect.encode("read_position", 11, rolling=5).text() == "14B#12.05.17"


def test_a_position_reader_minds_the_node_where_the_checksum_does():
    """The sum by hand: 0x01 + 0x2B + 0x92 + 2 = 0xC0."""
    summed = READ_POSITION.replace(
        "{position: signed 32}]", "{position: signed 32}, {checksum: sum 8, over: [identifier, payload]}]"
    )
    dialect = compiled(changed((READ_POSITION, summed)))
    data = bytes.fromhex("92 02 00 00 00 C0")
    assert dialect.decode(Frame(0x12B, data)).values == {"position": 2}
    assert dialect.position_reader(11)(data) == 2
    assert dialect.position_reader(12)(data) is None


NUMBER = "{captured: unsigned 8}"
READ_LATCH = message("read_latch")


@pytest.mark.parametrize(
    ("part", "values", "text"),
    [
        ("{captured: unsigned 8, from: 1, to: 5, special: {255: no value}}", {"captured": 255}, "A6.FF.01.00.00.00"),
        ("{captured: sign_magnitude 8}", {"captured": -1}, "A6.81.01.00.00.00"),
        ("{captured: offset_binary 8}", {"captured": -1}, "A6.7F.01.00.00.00"),
        ("{captured: bcd 8}", {"captured": 42}, "A6.42.01.00.00.00"),
        ("{captured: signed_bcd 16, order: big}", {"captured": -42}, "A6.90.42.01.00.00.00"),
        ("{captured: float 24, step: 2}", None, "32 or 64 bits"),
        ("{captured: shortest unsigned}", {"captured": 256}, "A6.00.01.01.00.00.00"),
        ("{constant: 0b101, bits: 3}, {captured: signed 4}, {bits: [-]}", {"captured": -1}, "A6.7D.01.00.00.00"),
        ("{captured: unsigned 8}, {checksum: xor 8}", {"captured": 1}, "A6.01.A6.01.00.00.00"),
    ],
)
def test_parts_of_every_kind(part, values, text):
    """A6, the part, and a position of 1, little-endian; the exclusive or by hand: 0xA6 ^ 0x01 ^ 0x01 = 0xA6."""
    read_latch = message("read_latch")
    changed_text = changed((read_latch, read_latch.replace(NUMBER, part)))
    if values is None:
        (finding,) = findings_of(changed_text)
        assert text in finding.help
        return
    frame = compiled(changed_text).encode_reply("read_latch", 11, position=1, **values)
    assert frame.text() == f"12B#{text}"


def in_latch(part):
    return [(NUMBER, part)]


def in_speed(scale):
    return [(SPEED, f"  speed: {{number: 1, {scale}, rounding: down}}\n")]


def behind(text):
    last = "  latch: 0.5 ms\n"
    return [(last, last + text)]


# (what is changed, the rule, the marked text, words of the headline, words of the help)
MISTAKES = {
    "a step for an integer": (
        in_latch("{captured: unsigned 8, step: 2}"),
        ("unknown-key", "step", "captured of the reply to read_latch has a step", "settings"),
    ),
    "a step of nothing": (
        in_latch("{captured: float 32, step: 0}"),
        ("value", "0", "the step of field captured", "1/1024"),
    ),
    "a range that the field cannot hold": (
        in_latch("{captured: unsigned 8, from: 1, to: 256}"),
        ("value", "256", "`to` of field captured of the reply to read_latch is 256, outside 0 to 255", ""),
    ),
    "a range the wrong way round": (
        in_latch("{captured: unsigned 8, from: 5, to: 1}"),
        ("value", "1", "goes from 5 to 1", "smaller"),
    ),
    "a misspelt option": (
        in_latch("{captured: unsigned 8, form: 1}"),
        ("unknown-key", "form", "`form`", "`from`"),
    ),
    "BCD of ten bits": (
        in_latch("{captured: bcd 10}, {ignored: 6}"),
        ("part", "bcd 10", "10 bits, and bcd has a multiple of 4", "multiple of 4"),
    ),
    "an order across bytes": (
        in_latch("{ignored: 4}, {captured: unsigned 8, order: big}, {ignored: 4}"),
        ("part", "{captured: unsigned 8, order: big}", "not of whole bytes on a byte boundary", "bit 12"),
    ),
    "a checksum across bytes": (
        in_latch("{captured: unsigned 4}, {checksum: sum 8}, {ignored: 4}"),
        ("part", "{checksum: sum 8}", "the checksum of the reply to read_latch", "multiples of 8"),
    ),
    "two checksums": (
        in_latch("{captured: unsigned 8}, {checksum: sum 8}, {checksum: xor 8}"),
        ("checksum", "{checksum: xor 8}", "has 2 checksums", "At most one"),
    ),
    "a checksum of nothing known": (
        in_latch("{captured: unsigned 8}, {checksum: sum 9}"),
        ("value", "sum 9", "cannot be `sum 9`", "`sum 8`"),
    ),
    "a checksum over an unknown field": (
        in_latch("{captured: unsigned 8}, {checksum: sum 8, over: [captred]}"),
        ("checksum", "{checksum: sum 8, over: [captred]}", "covers `captred`", "captured"),
    ),
    "a CRC without its initial value": (
        in_latch("{captured: unsigned 8}, {checksum: {crc: 8, polynomial: 0x1D, reflected: false, final: 0}}"),
        ("missing-key", None, "has no `initial`", "Add"),
    ),
    "a polynomial too wide": (
        in_latch(
            "{captured: unsigned 8}, {checksum: {crc: 8, polynomial: 0x11D, initial: 0, reflected: false, final: 0}}"
        ),
        ("value", "0x11D", "outside 1 to 255", ""),
    ),
    "two of the shortest form": (
        in_latch("{captured: shortest unsigned}, {old: shortest signed}"),
        ("part", None, "has 2 fields of the shortest form", "At most one"),
    ),
    "widths that do not exist": (
        in_latch("{captured: shortest unsigned 12 16}"),
        ("part", "shortest unsigned 12 16", "cannot have the widths 12 16", "rising"),
    ),
    "a shortest form that does not fit": (
        in_latch("{captured: shortest unsigned 8 32}"),
        ("payload-too-long", None, "9 bytes in its longest form", "above 24 bits"),
    ),
    "a constant too wide": (
        in_latch("{captured: unsigned 5}, {constant: 9, bits: 3}"),
        ("value", "9", "outside 0 to 7", ""),
    ),
    "a bit and its inverse": (
        [("[enabled, moving, homed,", "[enabled, not_enabled, homed,")],
        ("duplicate", "not_enabled", "two bits `enabled`", "Rename"),
    ),
    "a reply that asks to be echoed": (
        in_latch("{captured: unsigned 4}, {rolling: 4, echoed: true}"),
        ("rolling", "{rolling: 4, echoed: true}", "cannot be echoed", "at the request"),
    ),
    "an echo that does not come": (
        [("{constant: 0x26}", "{constant: 0x26}, {rolling: 8, echoed: true}")],
        ("rolling", None, "does not repeat the counter", "{rolling: 8}"),
    ),
    "an echo of another width": (
        [
            ("{constant: 0x26}", "{constant: 0x26}, {rolling: 8, echoed: true}"),
            *in_latch("{captured: unsigned 4}, {rolling: 4}"),
        ],
        ("rolling", "{rolling: 4}", "a counter of 8 bits in 4", "same width"),
    ),
    "two counters": (
        in_latch("{rolling: 4}, {captured: unsigned 8}, {rolling: 4}"),
        ("duplicate", "{rolling: 4}", "two fields `rolling`", "Rename"),
    ),
    "payloads of one length": (
        [
            (
                "payload: [{constant: 0xA6}",
                "payloads: [[{constant: 0xA6}, {captured: unsigned 8}, {position: signed 32}], [{constant: 0xA6}",
            ),
            (
                "{captured: unsigned 8}, {position: signed 32}], means: done}",
                "{captured: unsigned 8}, {position: signed 32}]], means: done}",
            ),
        ],
        ("payload-lengths", None, "can have 6 bytes", "true lengths"),
    ),
    "a length without the field": (
        [
            (
                "payload: [{constant: 0x92}, {position: signed 32}]",
                "payloads: [[{constant: 0x92}, {position: signed 32}], [{constant: 0x92}]]",
            )
        ],
        ("field-missing", None, "has no field `position` in each of its lengths", "Add"),
    ),
    "special in the middle of a position": (
        [
            (
                "{constant: 0x92}, {position: signed 32}",
                "{constant: 0x92}, {position: signed 32, special: {5: not known}}",
            )
        ],
        ("special", None, "5 means 'not known' for the field position", "`from` and `to`"),
    ),
    "a speed that is special in the frame": (
        [
            (
                "{constant: 0x42}, {target: signed 32}, {speed: unsigned 16}",
                "{constant: 0x42}, {target: signed 32}, {speed: unsigned 16, special: {7: off}}",
            )
        ],
        ("special", None, "raw value 7 means 'off'", "`special:`"),
    ),
    "identifier fields of ten bits": (
        [("{base: 0x020}", "{fields: [{constant: 1, bits: 5}, {node: 5}]}")],
        ("identifier-fields", None, "10 bits together, and an identifier has 11", "{ignored: 2}"),
    ),
    "identifier fields without a node": (
        [("{base: 0x020}", "{fields: [{constant: 1, bits: 11}]}")],
        ("identifier-fields", None, "has 0 fields for the node", "one"),
    ),
    "an identifier field of nothing known": (
        [("{base: 0x020}", "{fields: [{nod: 11}]}")],
        ("identifier-fields", "{nod: 11}", "says nothing that is known", "{node: 8}"),
    ),
    "a node field too narrow": (
        [("{base: 0x020}", "{fields: [{constant: 1, bits: 7}, {node: 4}]}")],
        ("node-range", None, "number 31 does not fit the 4 bits", "widen"),
    ),
    "an identifier that two ranges have": (
        [("{base: 0x020}", "{fields: [{ignored: 1}, {constant: 9, bits: 5}, {node: 5}]}")],
        ("identifiers-overlap", None, "range stop", "constant in which they differ"),
    ),
    "codes that do not rise": (
        in_speed("table: {0: 10 counts/s, 1: 25 counts/s, 2: 25 counts/s}"),
        ("not-monotone", None, "code 2 means the same as code 1", "leave out"),
    ),
    "codes that turn round": (
        in_speed("polynomial: [9 counts/s, -6 counts/s, 1 counts/s], from: 0, to: 9"),
        ("not-monotone", None, "code 1 means less than code 0", "leave out"),
    ),
    "too many codes": (
        in_speed("polynomial: [0 counts/s, 1 counts/s], from: 0, to: 70000"),
        ("scale", "70000", "70,001 codes", "65,536"),
    ),
    "one coefficient": (
        in_speed("polynomial: [5 counts/s], from: 0, to: 9"),
        ("scale", "[5 counts/s]", "has 1 coefficients", "code^0"),
    ),
    "codes below nothing": (
        in_speed("table: {1: -5 counts/s, 2: 5 counts/s}"),
        ("value", None, "mean less than zero", "Leave out"),
    ),
    "a reciprocal from zero": (
        in_speed("reciprocal: 4000 counts/s, from: 0, to: 9"),
        ("value", "0", "`from` of setting speed is 0, outside 1", ""),
    ),
    "a table with a range": (
        in_speed("table: {1: 5 counts/s, 2: 15 counts/s}, from: 1"),
        ("unknown-key", "from", "setting speed", ""),
    ),
    "a scale of two kinds": (
        in_speed("unit: 5 counts/s, table: {1: 5 counts/s}, from: 1, to: 5"),
        ("scale", "table", "in 2 ways", "Keep one of unit, table"),
    ),
    "a code twice": (
        in_speed("table: {1: 5 counts/s, 0x1: 15 counts/s}"),
        ("duplicate", "0x1", "has code 1 twice", "Keep one"),
    ),
    "a table code that the field cannot hold": (
        in_speed("table: {1: 5 counts/s, 70000: 15 counts/s}"),
        ("field-too-narrow", "70000", "setting speed can be 70000", "Widen"),
    ),
    "a state without states": (
        [
            (
                "in_position, -, -]}, {fault: unsigned 8}",
                "in_position, -, -]}, {fault: unsigned 8}, {state: unsigned 8}",
            )
        ],
        ("unknown-field", None, "`state`", ""),
    ),
    "states without a state": (
        behind("\nstates: {0: [], 1: [enabled]}\n"),
        ("field-missing", None, "the reply to status has no field `state`", "Add"),
    ),
    "a word said twice": (
        [
            *behind("\nstates: {0: [], 1: [enabled]}\n"),
            ("in_position, -, -]}", "in_position, -, -]}, {state: unsigned 8}"),
        ],
        ("states", None, "says `enabled` with a field, and with a coded state too", "one of the two"),
    ),
    "a state that the field cannot hold": (
        [
            *behind("\nstates: {0: [homed], 256: [homed]}\n"),
            (
                "homed, loaded, brake_applied, in_position, -, -]}",
                "-, loaded, brake_applied, in_position, -, -]}, {state: unsigned 8}",
            ),
        ],
        ("field-too-narrow", "256", "the code of a state can be 256", "Widen"),
    ),
    "a state that is no word": (
        behind("\nstates: {0: [enabld]}\n"),
        ("value", "enabld", "an entry of state 0 cannot be `enabld`", "`enabled`"),
    ),
    "a watchdog of no known kind": (
        behind("\nwatchdog: {within: 1 s, fed_by: any, then: halt}\n"),
        ("value", "halt", "then of the watchdog cannot be `halt`", "stop"),
    ),
    "a watchdog fed by nothing known": (
        behind("\nwatchdog: {within: 1 s, fed_by: [statuss], then: stop}\n"),
        ("value", "statuss", "`statuss`", "`status`"),
    ),
    "a watchdog fed by nothing": (
        behind("\nwatchdog: {within: 1 s, fed_by: [], then: stop}\n"),
        ("value", "[]", "fed by nothing", "any"),
    ),
    "quiet after an unknown message": (
        behind("  quiet: {enabel: 5 ms}\n"),
        ("unknown-key", "enabel", "quiet of timing", "`enable`"),
    ),
    "no request at all": (behind("  outstanding: 0\n"), ("value", "0", "outstanding of timing is 0", "")),
    "a scale setting with another's number": (
        behind("\nscale_settings: {counts_per_motor_rev: {number: 3, unit: 1 counts}}\n"),
        ("duplicate", "3", "has number 3, as another has", "its own"),
    ),
    "an event that is expected every nothing": (
        [("{constant: 0xF0}]}", "{constant: 0xF0}], every: 0 ms}")],
        ("value", "0 ms", "`every` of event boot", "above zero"),
    ),
    "a stop of several frames": (
        [
            (
                "    broadcast: allowed\n    request: {on: stop, payload: [{constant: 0x62}]}",
                "    frames: []\n    within: 5 ms",
            )
        ],
        ("series", "frames", "quick_stop cannot be several frames", "one frame"),
    ),
    "a series of one": (
        [
            (
                PRELOAD,
                SERIES[: SERIES.index("      - {request: {on: request, payload: [{constant: 0x42}, {constant: 2}")]
                + SERIES[SERIES.index("    gap") :],
            )
        ],
        ("series", None, "has 1 frames under `frames:`", "`request:`"),
    ),
    "a series without an abort": (
        [(PRELOAD, SERIES.replace("    abort: clear_load\n", ""))],
        ("missing-key", "preload", "has no `abort`", "clear_load"),
    ),
    "a series that aborts into motion": (
        [(PRELOAD, SERIES.replace("abort: clear_load", "abort: enable"))],
        ("series", "enable", "cannot undo a part", "clear_load"),
    ),
    "a series that aborts into nothing": (
        [(PRELOAD, SERIES.replace("abort: clear_load", "abort: clear_lod"))],
        ("value", "clear_lod", "`clear_lod`, which is no message here", "`clear_load`"),
    ),
    "a series without a field": (
        [(PRELOAD, SERIES.replace("{target: signed 32}", "{ignored: 32}"))],
        ("field-missing", None, "the requests of preload have no field `target`", "Add"),
    ),
    "a field in two frames": (
        [(PRELOAD, SERIES.replace("{speed: unsigned 16}", "{speed: unsigned 16}, {target: unsigned 8}"))],
        ("duplicate", "{target: unsigned 8}", "the request of preload.2 has the field `target`", "exactly one"),
    ),
    "a series whose end is not answered": (
        [
            (
                PRELOAD,
                SERIES.replace(
                    ",\n         reply: {on: reply, payload: [{constant: 0xC2}, {constant: 2}], means: accepted}", ""
                ),
            )
        ],
        ("reply-missing", None, "the last frame of preload has no reply", "`reply:`"),
    ),
    "two frames of a series alike": (
        [(PRELOAD, SERIES.replace("{constant: 0xC2}, {constant: 2}", "{constant: 0xC2}, {constant: 1}"))],
        ("confusable", None, "the reply to preload.2 and the reply to preload.1", "different constants"),
    ),
    "sub-byte constants alike": (
        [("[{constant: 0x26}]", "[{constant: 5, bits: 4}, {ignored: 4}]")],
        ("confusable", None, "the request of read_latch and the request of arm_latch", ""),
    ),
}


@pytest.mark.parametrize("name", MISTAKES)
def test_a_mistake_is_found_at_its_place(name):
    changes, wanted = MISTAKES[name]
    text = changed(*changes)
    found = findings_of(text)
    assert found
    assert all(finding.help and finding.primary.span.file == "mine.yaml" for finding in found)
    rule, under, headline, help = wanted
    matching = [finding for finding in found if finding.rule == f"dialect-{rule}" and headline in finding.headline]
    assert len(matching) == 1, found
    if under is not None:
        assert marked(text, matching[0].primary).startswith(under)
    assert help in matching[0].help


#: A dialect that uses every row of the language.
INDEX = (Path(__file__).parents[4] / "recipes" / "index_table" / "index_drive.yaml").read_text("utf-8")
WORDS = [
    *("", "x", "-1", "0", "999999999999", "18446744073709551615", "1/3", "[]", "{}", "0x", "0b1", "~", "true", "-"),
    *(
        "signed 32",
        "shortest unsigned",
        "float 32",
        "bcd 8",
        "sum 8",
        "table",
        "polynomial",
        "from",
        "any",
        "not_",
        "node",
    ),
    *("identifier", "rolling", "{ignored: 3}", "{ignored: 8}", "{rolling: 4}", "{checksum: xor 8}", "{checksum: tail}"),
]


@settings(max_examples=60)
@given(st.data())
def test_no_damage_to_a_file_does_more_than_refuse_it(data):
    """Lines cut, doubled, exchanged, or with one word replaced: findings, or a dialect whose frames come back."""
    lines = INDEX.splitlines()
    for _ in range(data.draw(st.integers(1, 3))):
        index = data.draw(st.integers(0, len(lines) - 1))
        how = data.draw(st.sampled_from(["cut", "double", "exchange", "word", "word"]))
        if how == "cut":
            del lines[index]
        elif how == "double":
            lines.insert(index, lines[index])
        elif how == "exchange":
            other = data.draw(st.integers(0, len(lines) - 1))
            lines[index], lines[other] = lines[other], lines[index]
        else:
            words = re.split(r"(\W+)", lines[index])
            words[data.draw(st.integers(0, len(words) - 1))] = data.draw(st.sampled_from(WORDS))
            lines[index] = "".join(words)
    try:
        dialect = compiled("\n".join(lines))
    except Refused as refused:
        texts = [finding.help for finding in refused.findings if finding.rule.startswith("dialect-")]
        assert all(texts)
        return
    for shape in dialect.frames.all():
        values = {name: low for name, (low, _) in shape.layout.ranges.items()}
        node = None if shape.broadcast == "only" else dialect.node_range[1]
        try:
            frame = dialect.compose(shape, node, values)
        except ValueError:
            assert len(shape.layout.alternatives) > 1  # no length of it has all fields
            continue
        assert dialect.find(frame) == (shape, node, values)
