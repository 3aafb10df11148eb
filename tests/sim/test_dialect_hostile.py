"""Damaged dialect files and random frames: a drive's reading refuses the one, and lives through the other."""

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from choreo.errors import RecipeError
from choreo.frame import Frame
from choreo_sim.dialect_reader import SHIPPED

from .bench import MS
from .dialects import TRUTH, Talk, read, text_of
from .test_drive_events import INPUTS
from .test_drive_language import COUNTED, REFUSALS, SERIES, SUMMED

RICH = text_of(
    {**COUNTED, **SUMMED, **SERIES},
    checksums="{tail: {crc: 8, polynomial: 0x1D, over: [identifier, payload]}, sums: {sum: 16, order: little}}",
    **REFUSALS,
    move_speed="{table: {0: 100 counts/s, 1: 2000 counts/s}}",
    events=INPUTS[:-1] + ", status: {on: tell, payload: [{state: bcd 8}, {position: shortest signed}], every: 9 ms}}",
    states="{0: [], 1: [enabled]}",
    watchdog="{within: 20 ms, fed_by: [echo], then: disable}",
    scale_settings="{counts_per_motor_rev: {number: 40, unit: 1 counts}}",
    timing="{reply_within: 3 ms, gap: 1 ms, cycle: 1 ms, latch: 0.5 ms, quiet: {enable: 2 ms}}",
)
TEXTS = (RICH, (SHIPPED / "short_frame.yaml").read_text(encoding="utf-8"))
NUMBERS = ["0", "-1", "9" * 19, "0x", "1/0 ms", "1 ms", "\N{SUPERSCRIPT TWO}"]
SHAPES = ["[]", "{}", "[[]]", "''", "~", "!x", "&a", "*a", "#"]
TERMS = ["start", "payload", "any", "unsigned 3", "float 32", "shortest unsigned", "checksum", "rolling", "every"]
WORDS = st.sampled_from([*NUMBERS, *SHAPES, *TERMS, "{constant: 1}"])


@st.composite
def damaged(draw: st.DrawFn) -> str:
    """A dialect in which some words, marks or lines are gone, doubled or replaced."""
    text = draw(st.sampled_from(TEXTS))
    for _ in range(draw(st.integers(1, 3))):
        begin = draw(st.integers(0, len(text) - 1))
        while begin and text[begin - 1].isalnum():
            begin -= 1
        end = begin + 1
        while end < len(text) and text[end].isalnum():
            end += 1
        what = draw(st.one_of(st.just(""), WORDS, st.just(text[begin:end] * 2)))
        text = text[:begin] + what + text[end:]
    return text


@settings(max_examples=200, suppress_health_check=[HealthCheck.too_slow])
@given(damaged())
def test_a_damaged_file_is_refused_or_spoken(text):
    dialect, refusal = None, ""
    try:
        dialect = read(text)
    except RecipeError as refused:
        refusal = refused.headline
    if dialect is None:
        assert refusal.startswith("small.yaml")
        assert "\n" not in refusal
    elif dialect.nodes[0] <= TRUTH.node <= dialect.nodes[1]:
        talk = Talk(dialect)
        for data in ("01 02", "02", "06", "09 01 00 00 00 07", "09 02 01", "08 00 00 00 00 00 00"):
            talk.send(0x20B, bytes.fromhex(data))
            talk.wait(MS)
        talk.wait(30 * MS)


@settings(max_examples=60, suppress_health_check=[HealthCheck.too_slow])
@given(st.sampled_from(TEXTS), st.data())
def test_random_frames_are_lived_through(text, draw):
    talk = Talk(read(text))
    bases = [0x010, 0x020, 0x040, 0x140, 0x200]
    for _ in range(20):
        identifier = draw.draw(st.sampled_from(bases)) + draw.draw(st.sampled_from([0, 11]))
        data = bytearray(draw.draw(st.binary(max_size=8)))
        if data and draw.draw(st.booleans()):
            data[0] = draw.draw(st.integers(1, 0x62))
        talk.put(Frame(identifier, bytes(data), draw.draw(st.booleans())))
        talk.wait(draw.draw(st.sampled_from([0, MS, 20 * MS])))
    talk.wait(30 * MS)
    for _, frame in talk.heard:
        dialect = talk.drive.dialect
        assert dialect.reply_of(frame) or dialect.event_of(frame), frame.text()
