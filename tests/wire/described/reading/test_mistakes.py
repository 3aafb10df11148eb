"""Every mistake of a dialect file is found, at its place, with what to do; all of them in one reading."""

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from choreo.diagnostic import Refused
from choreo.text import compose, text_source
from choreo.wire.described.reading.loader import compile_dialect
from choreo.wire.words import Setting
from wire.described.reading.mistaken import TEXT, changed, compiled, findings_of, line_of, marked, message

PRELOAD = "[{constant: 0x42}, {target: signed 32}, {speed: unsigned 16}]"
PRELOADED = "[{constant: 0xC2}, {target: signed 32}], means: "
ERROR_REPLY = "[{constant: 0xEE}, {refused: unsigned 8}, {error: unsigned 8}]"
CLEARED = message("clear_load")
SPEED = line_of("  speed:")

# (what is changed, the rule, the marked text, words of the headline, words of the help)
MISTAKES = {
    "misspelt key at the top": (
        [("byte_order:", "byte_ordr:")],
        ("unknown-key", "byte_ordr", "`byte_ordr`", "`byte_order`"),
    ),
    "misspelt message": (
        [("  preload:  ", "  prelod:  ")],
        ("unknown-key", "prelod", "`prelod`", "`preload`"),
    ),
    "misspelt key of a message": (
        [("    broadcast: only", "    brodcast: only")],
        ("unknown-key", "brodcast", "message start", "`broadcast`"),
    ),
    "misspelt setting": (
        [("  quick_stop:      {number", "  quik_stop:      {number")],
        ("unknown-key", "quik_stop", "settings", "`quick_stop`"),
    ),
    "key missing": ([("byte_order: little\n", "")], ("missing-key", "choreo_dialect", "no `byte_order`", "Add")),
    "later version": ([("choreo_dialect: 1", "choreo_dialect: 2")], ("value", "2", "outside 1 to 1", "")),
    "load rule missing": (
        [("  at_trigger: consumed\n", "")],
        ("load-rule-missing", "second_load", "no `at_trigger`", "practice.md P1"),
    ),
    "load rule of no known kind": (
        [("second_load: replaces", "second_load: replace")],
        ("value", "replace", "`replace`", "`replaces`"),
    ),
    "load rule that leaves a stop open": (
        [("survives: [stop, quick_stop, disable]", "survives: [stop, quick_stop]")],
        ("load-rule-missing", "[stop, quick_stop]", "`disable`", "one of the two lists"),
    ),
    "load rule that contradicts itself": (
        [("cleared_by: [clear_load]", "cleared_by: [clear_load, stop]")],
        ("load-rule", "[stop, quick_stop, disable]", "`stop` and survives it", "one of the two lists"),
    ),
    "two messages alike": (
        [("{constant: 0x43}", "{constant: 0x33}")],
        ("confusable", "[{constant: 0x33}]", "clear_load and the request of reset_fault", "different constants"),
    ),
    "a field where the other has its constant": (
        [("payload: [{constant: 0x21}, {number: unsigned 8}]}", "payload: [{constant: 0x11}, {number: unsigned 8}]}")],
        ("confusable", "[{constant: 0x11}, {number: unsigned 8}]", "length of 2 bytes", "different constants"),
    ),
    "identifier ranges overlap": (
        [("reply:   {base: 0x120}", "reply:   {base: 0x130}")],
        ("identifiers-overlap", "0x140", "0x140, and range reply goes on to 0x14f", "Move the bases apart"),
    ),
    "identifiers beyond 11 bits": (
        [("request: {base: 0x140}", "request: {base: 0x7F0}")],
        ("node-range", "0x7F0", "0x80f at number 31, and 11 bits hold at most 0x7ff", "29 bits"),
    ),
    "nodes the wrong way round": ([("from: 1, to: 31", "from: 31, to: 1")], ("node-range", "1", "from 31 to 1", "")),
    "the broadcast number is a node": (
        [("broadcast: 0}", "broadcast: 9}")],
        ("node-range", "9", "broadcast number 9 is also a node number, within 1 to 31", "no node has"),
    ),
    "nine bytes": (
        [(PRELOAD, "[{constant: 0x42}, {target: signed 64}]")],
        (
            "payload-too-long",
            "[{constant: 0x42}, {target: signed 64}]",
            "9 bytes, and a CAN frame carries at most 8",
            "Shorten it",
        ),
    ),
    "setting number too large": (
        [("number: 3, unit", "number: 300, unit")],
        ("field-too-narrow", "300", "can be 300", "Widen the field"),
    ),
    "setting range too large": (
        [("unit: 65536 counts/s^3, from: 1, to: 65535", "unit: 65536 counts/s^3, from: 1, to: 65536")],
        ("field-too-narrow", "65536", "raw value of setting jerk can be 65536", "Widen the field"),
    ),
    "error code too large": (
        [("  7: brake is applied", "  256: brake is applied")],
        (
            "field-too-narrow",
            "256",
            "error code can be 256, and the field error of error_reply holds 0 to 255",
            "Widen",
        ),
    ),
    "verb missing": (
        [(message("read_position"), "")],
        ("message-missing", "echo", "`read_position` is missing", "Describe"),
    ),
    "half a brake": (
        [(message("apply_brake"), "")],
        ("message-missing", "release_brake", "`apply_brake` is missing; `release_brake`", "too"),
    ),
    "reply missing": (
        [(CLEARED, CLEARED[: CLEARED.index("    reply:")])],
        ("reply-missing", "clear_load", "clear_load has no reply", "under `reply:`"),
    ),
    "field missing": (
        [("payload: [{constant: 0x91}, {count: unsigned 8}]", "payload: [{constant: 0x91}]")],
        ("field-missing", "[{constant: 0x91}]", "the reply to echo has no field `count`", "Add"),
    ),
    "field unknown": (
        [(PRELOAD, PRELOAD.replace("speed:", "sped:"))],
        ("unknown-field", "{sped: unsigned 16}", "`sped`", "`speed`"),
    ),
    "status bit misspelt": (
        [("enabled, moving, homed, loaded,", "enabled, moving, hommed, loaded,")],
        ("unknown-field", None, "`hommed`", "`homed`"),
    ),
    "error code twice": (
        [("  7: brake is applied", "  0x06: brake is applied")],
        ("duplicate", "0x06", "code 6 twice", "Keep one"),
    ),
    "setting number twice": ([("number: 3, unit", "number: 2, unit")], ("duplicate", "2", "number 2", "its own")),
    "a fault that is none": ([("  5: position feedback", "  0: position feedback")], ("value", "0", "outside 1", "")),
    "wrong class": (
        [("    class: moves", "    class: neutral")],
        ("class", "neutral", "`neutral`", "class: moves"),
    ),
    "a broadcast that must not be": (
        [("  clear_load:\n", "  clear_load:\n    broadcast: allowed\n")],
        ("broadcast", "allowed", "clear_load must not be broadcast", "start trigger and stops"),
    ),
    "no broadcast number": (
        [(", broadcast: 0}", "}")],
        ("broadcast", "only", "start is broadcast", "`nodes:`"),
    ),
    "unknown identifier range": (
        [("request: {on: trigger,", "request: {on: triger,")],
        ("value", "triger", "`triger`", "`trigger`"),
    ),
    "seven bits": (
        [("loaded, brake_applied, in_position, -, -]", "loaded, brake_applied, in_position, -]")],
        ("payload-bits", None, "the reply to status has 23 bits, which are no whole bytes", "{ignored: 4}"),
    ),
    "a field of 12 bits": (
        [("{captured: unsigned 8}", "{captured: unsigned 12}")],
        ("payload-bits", None, "has 52 bits", "{ignored: 4}"),
    ),
    "a field of 65 bits": (
        [("{captured: unsigned 8}", "{captured: unsigned 65}")],
        ("part", "unsigned 65", "65 bits, and unsigned has 1 to 64 bits", "Take 1 to 64 bits"),
    ),
    "a field of no known kind": (
        [("{captured: unsigned 8}", "{captured: unsined 8}")],
        ("part", "unsined 8", "captured", "`unsigned`"),
    ),
    "a constant of two bytes": (
        [("{constant: 0x13}", "{constant: 0x113}")],
        ("value", "0x113", "outside 0 to 255", "0 to 255"),
    ),
    "a speed that rounds up": (
        [(SPEED, SPEED.replace("down", "up"))],
        ("value", "up", "setting speed is a speed and rounds up", "practice.md P24"),
    ),
    "a unit of another dimension": (
        [("unit: 16 counts,", "unit: 16 counts/s,")],
        ("value", "16 counts/s", "the unit of setting following_error", "counts"),
    ),
    "no unit": ([("reply_within: 3 ms", "reply_within: 3")], ("value", "3", "reply_within", "a unit")),
    "a time below zero": ([("cycle: 1 ms", "cycle: -1 ms")], ("value", "-1 ms", "cycle of timing", "zero or more")),
    "range the wrong way round": (
        [("from: 1, to: 100,", "from: 100, to: 1,")],
        ("value", "1", "torque_limit goes from 100 to 1", "smaller"),
    ),
    "a ramp that is no setting": (
        [(line_of("  quick_stop:      {number"), "")],
        ("missing-key", "quick_stop", "the ramp of quick_stop is `quick_stop`, which is no setting here", "settings"),
    ),
    "jerk limited without jerk": (
        [(line_of("  jerk:"), "")],
        ("missing-key", "jerk_limited", "no setting `jerk`", "predicted profile"),
    ),
    "position of a message without one": (
        [("message: read_position}", "message: echo}")],
        ("field-missing", "echo", "the reply to `echo` has no field `position`", ""),
    ),
    "latch on an unknown switch": (
        [("latch: {switch: home_switch}", "latch: {switch: hom_switch}")],
        ("value", "hom_switch", "`hom_switch`", "home_switch"),
    ),
    "an unproved load": (
        [(PRELOADED + "accepted", PRELOADED + "received"), ("homed, loaded, brake", "homed, -, brake")],
        ("load-unproved", "[{constant: 0xC2}, {target: signed 32}]", "cannot be proved", "`loaded`"),
    ),
    "the error reply elsewhere": (
        [("  on: reply\n  payload: " + ERROR_REPLY, "  on: event\n  payload: " + ERROR_REPLY)],
        ("reply-range", ERROR_REPLY, "other identifiers", "one identifier range"),
    ),
    "identifiers without bits": (
        [("  bits: 11\n", "")],
        ("missing-key", "stop", "identifiers has no `bits`", "`bits: 11` or `bits: 29`"),
    ),
    "identifiers of 12 bits": ([("bits: 11", "bits: 12")], ("value", "12", "bits cannot be `12`", "11, 29")),
    "a range without a base": (
        [("event:   {base: 0x060}", "event:   {bse: 0x060}")],
        ("unknown-key", "bse", "identifier range event", "`base`"),
    ),
    "two fields of one name": (
        [(PRELOAD, PRELOAD.replace("speed:", "target:"))],
        ("duplicate", "{target: unsigned 16}", "two fields `target`", "Rename"),
    ),
    "two bits of one name": (
        [("[enabled, moving, homed,", "[enabled, enabled, homed,")],
        ("duplicate", "enabled", "two bits `enabled`", "Rename"),
    ),
    "a part of two keys": (
        [("{constant: 0x14}", "{constant: 0x14, ignored: 8}")],
        ("part", "{constant: 0x14, ignored: 8}", "has 2 keys, and must have one", "{constant: 0x11}"),
    ),
    "a part that is no mapping": ([("{constant: 0x14}", "0x14")], ("kind", "0x14", "a part of the request", "key")),
    "half a byte ignored": (
        [("[{constant: 0xA5}]", "[{constant: 0xA5}, {ignored: 12}]")],
        ("payload-bits", "[{constant: 0xA5}, {ignored: 12}]", "has 20 bits", "{ignored: 4}"),
    ),
    "bits that are no list": (
        [("{bits: [enabled, moving, homed, loaded, brake_applied, in_position, -, -]}", "{bits: enabled}")],
        ("kind", "enabled", "the bits of the reply to status must be a list", ""),
    ),
    "a field with a bad name": (
        [("{captured: unsigned 8}", "{Captured: unsigned 8}")],
        ("name", "Captured", "`Captured` is not a name", "small letters"),
    ),
    "a request that an error reply cannot name": (
        [("request: {on: request, payload: [{constant: 0x25}]}", "request: {on: request, payload: []}")],
        ("selector-missing", "[]", "the request of arm_latch has no constant", "`refused`"),
    ),
    "a latch that nothing uses": (
        [(message(name), "") for name in ("arm_latch", "read_latch", "home")],
        ("message-missing", "home_switch", "none of the messages", "arm_latch, read_latch, home"),
    ),
    "a latch on a switch that cannot be read": (
        [(message("read_inputs"), "")],
        ("message-missing", "home_switch", "`read_inputs` is missing", "so that the switch can be read"),
    ),
    "a speed of moves that does not fit": (
        [("{setting: speed}", "{unit: 100 counts/s, from: 1, to: 70000, rounding: down}")],
        ("field-too-narrow", "70000", "the raw speed of a move can be 70000", "Widen"),
    ),
    "a speed of moves like another setting": (
        [("{setting: speed}", "{setting: jerk}")],
        ("value", "jerk", "cannot be `jerk`", "speed"),
    ),
    "a unit of nothing": (
        [("unit: 16 counts,", "unit: 0 counts,")],
        ("value", "0 counts", "must be above zero", "counts"),
    ),
    "a word twice": (
        [("cleared_by: [clear_load]", "cleared_by: [clear_load, clear_load]")],
        ("duplicate", "clear_load", "names `clear_load` twice", "once"),
    ),
    "a word where a list is wanted": (
        [("cleared_by: [clear_load]", "cleared_by: clear_load")],
        ("kind", "clear_load", "cleared_by must be a list", "[a, b]"),
    ),
    "a setting without a number": (
        [("{number: 4, unit", "{nmber: 4, unit")],
        ("unknown-key", "nmber", "setting quick_stop", "`number`"),
    ),
    "no acceleration": (
        [(line_of("  acceleration:"), ""), ("  stop: {ramp: acceleration}", "  stop: {ramp: quick_stop}")],
        ("missing-key", "speed", "settings has no `acceleration`", "every move"),
    ),
    "a number that is none": (
        [("number: 3, unit", "number: three, unit")],
        ("value", "three", "must be a whole number, not `three`", "0x"),
    ),
    "a list where a mapping is wanted": (
        [(TEXT[TEXT.index("timing:") :], "timing: [1]\n")],
        ("kind", "[1]", "timing must be a mapping", ""),
    ),
    "nothing where text is wanted": ([("name: short_frame", "name:")], ("kind", None, "is empty", "")),
    "a name with a blank": ([("name: short_frame", "name: short frame")], ("name", "short frame", "is not a name", "")),
}


#: What a mistake really breaks more than once.
MANY = {"no broadcast number": 3}


def test_the_file_itself_has_no_mistake():
    assert findings_of(TEXT) == ()


@pytest.mark.parametrize("name", MISTAKES)
def test_a_mistake_is_found_at_its_place(name):
    changes, (rule, under, headline, help) = MISTAKES[name]
    text = changed(*changes)
    found = [
        finding for finding in findings_of(text) if finding.rule == f"dialect-{rule}" and headline in finding.headline
    ]
    assert len(found) == 1, findings_of(text)
    assert found[0].primary.span.file == "mine.yaml"
    if under is not None:
        assert marked(text, found[0].primary).startswith(under)
    assert help in found[0].help or any(help in mark.label for mark in found[0].others)
    assert found[0].help


@pytest.mark.parametrize("name", MISTAKES)
def test_one_mistake_is_one_finding(name):
    findings = findings_of(changed(*MISTAKES[name][0]))
    assert len(findings) == MANY.get(name, 1), findings


def test_a_speed_of_moves_may_have_a_scale_of_its_own():
    text = changed(("{setting: speed}", "{unit: 100 counts/s, from: 2, to: 60000, rounding: down}"))
    dialect = compiled(text)
    assert (dialect.move_speed.step, dialect.move_speed.minimum, dialect.move_speed.maximum) == (100, 2, 60000)
    assert dialect.settings[Setting.SPEED].step == 1024


def test_all_mistakes_are_found_in_one_reading():
    names = [
        "misspelt message",
        "load rule missing",
        "identifiers beyond 11 bits",
        "setting number too large",
        "no unit",
    ]
    text = changed(*[change for name in names for change in MISTAKES[name][0]])
    rules = [finding.rule.removeprefix("dialect-") for finding in findings_of(text)]
    assert set(rules) == {MISTAKES[name][1][0] for name in names}
    lines = [finding.primary.span.line for finding in findings_of(text)]
    assert lines == sorted(lines)


def test_the_other_half_of_a_conflict_is_shown():
    text = changed(*MISTAKES["two messages alike"][0])
    (finding,) = findings_of(text)
    assert [marked(text, mark) for mark in finding.others] == ["[{constant: 0x33}]"]
    assert finding.others[0].span.line < finding.primary.span.line


@given(st.data())
def test_no_damage_to_a_file_does_more_than_refuse_it(data):
    """Lines cut, doubled, or with one word replaced: a dialect or findings, never another exception."""
    lines = TEXT.splitlines()
    index = data.draw(st.integers(0, len(lines) - 1))
    how = data.draw(st.sampled_from(["cut", "double", "word"]))
    if how == "cut":
        del lines[index]
    elif how == "double":
        lines.insert(index, lines[index])
    else:
        words = re.split(r"(\W+)", lines[index])
        word = data.draw(st.integers(0, len(words) - 1))
        words[word] = data.draw(
            st.sampled_from(["", "x", "-1", "999999999999", "signed 32", "[]", "{}", "0x", "~", "true"])
        )
        lines[index] = "".join(words)
    source = text_source("\n".join(lines), "mine.yaml")
    try:
        dialect = compile_dialect(compose(source), source)
    except Refused:  # made of at least one finding, or it could not be made
        return
    assert dialect.frames.requests
