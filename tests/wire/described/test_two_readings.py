"""
Two readings of one file: choreo's codec and the simulated drive's were written apart, from the language's description.

Over random layouts they must give the same bytes for the same values, the same values for the same bytes, and the same
answer to what is none of the dialect's.
"""

import re
from collections.abc import Iterable, Mapping
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import HealthCheck, assume, event, given, settings
from hypothesis import strategies as st

from choreo.diagnostic import Refused
from choreo.frame import Frame
from choreo.wire.described import load_dialect
from choreo.wire.described.dialect import DescribedDialect
from choreo_sim.dialect_reader import SHIPPED, DriveDialect, Form, framed, read_dialect
from sim.dialects import MESSAGES, text_of

RECIPES = Path(__file__).parents[3] / "recipes"
FILES = sorted([*SHIPPED.glob("*.yaml"), *RECIPES.glob("*/*_drive.yaml")])
FILES = [path for path in FILES if "choreo_dialect:" in path.read_text(encoding="utf-8")]


class Both:
    """One dialect as choreo and as a drive reads it."""

    def __init__(self, path: Path) -> None:
        self.host: DescribedDialect = load_dialect(path)
        self.drive: DriveDialect = read_dialect(path)

    def heard(self, frame: Frame) -> tuple[str, int | None, Mapping[str, int]] | None:
        """What the drive's reading makes of a frame, in the words of choreo's."""
        asked = self.drive.request_of(frame)
        if asked is not None:
            message, node, values = asked
            everyone = node == self.drive.broadcast
            if message.broadcast != {True: "never", False: "only"}[everyone]:
                return _named(message.name, message.part, message.parts), None if everyone else node, values
        said = self.drive.reply_of(frame)
        if said is not None:
            return _named(said[0].name, said[0].part, said[0].parts), said[1], said[2]
        return self.drive.event_of(frame)

    def check(self, frame: Frame) -> None:
        """Both make the same of a frame."""
        decoded, heard = self.host.decode(frame), self.heard(frame)
        if decoded is None or heard is None:
            assert decoded is None, f"{frame.text()}: the drive hears nothing, choreo {decoded}"
            assert heard is None, f"{frame.text()}: choreo decodes nothing, the drive hears {heard}"
            return
        assert (decoded.node, dict(decoded.values)) == (heard[1], dict(heard[2])), frame.text()
        assert decoded.message == heard[0], frame.text()


def _named(name: str, part: int, parts: int) -> str:
    return name if parts == 1 else f"{name}.{part}"


def both_of(text: str) -> Both:
    """The two readings of a text; RecipeErrors and refusals come out."""
    with TemporaryDirectory() as folder:
        path = Path(folder) / "random.yaml"
        path.write_text(text, encoding="utf-8")
        return Both(path)


def read_text_as_drive(text: str) -> DriveDialect:
    """The drive's reading of a text alone."""
    with TemporaryDirectory() as folder:
        path = Path(folder) / "random.yaml"
        path.write_text(text, encoding="utf-8")
        return read_dialect(path)


def bytes_agree(both: Both, draw: st.DataObject) -> Frame:
    """Any frame that choreo composes is the one that the drive's reading composes; the frame."""
    host, drive = both.host, both.drive
    refusal = {} if host.frames.error_reply is None else {"error_reply": host.frames.error_reply}
    frames = {
        "request": host.frames.requests,
        "reply": host.frames.replies,
        "event": host.frames.events,
        "refusal": refusal,
    }
    role = draw.draw(st.sampled_from(sorted(kind for kind, found in frames.items() if found)))
    name = draw.draw(st.sampled_from(sorted(frames[role])))
    ranges = dict(frames[role][name].layout.ranges)
    values = {field: draw.draw(st.integers(low, high), label=field) for field, (low, high) in ranges.items()}
    node = draw.draw(st.integers(*host.node_range))
    if role in ("event", "refusal"):
        speech = drive.event_speech[name] if role == "event" else drive.error_reply
        assert speech is not None
        ours = host.encode_event(name, node, **values) if role == "event" else host.encode_error(node, **values)
        form = speech.form
        theirs = framed(speech.range, form, node, values, drive.extended)
    else:
        verb, _, part = name.partition(".")
        message = next(each for each in drive.exchanges if each.name == verb and each.part == int(part or "1"))
        if role == "reply":
            assert message.reply is not None
            form, ours = message.reply, host.encode_reply(name, node, **values)
            theirs = message.reply_frame(node, values, extended=drive.extended)
        else:
            everyone = message.broadcast == "only" or (message.broadcast == "allowed" and draw.draw(st.booleans()))
            form, ours = message.request, host.encode(name, None if everyone else node, **values)
            address = drive.broadcast if everyone else node
            theirs = message.request_frame(address, values, extended=drive.extended)
    assert _ranges(form, values) == ranges
    assert theirs == ours
    return ours


def _ranges(form: Form, names: Iterable[str]) -> dict[str, tuple[int, int] | None]:
    """The ranges of a form's fields, its rolling counter included."""
    bits = form.rolling.bits if form.rolling is not None else 0
    return {name: (0, (1 << bits) - 1) if name == "rolling" else form.range_of(name) for name in names}


def spoilt(frame: Frame, draw: st.DataObject) -> Frame:
    """The frame with a few bits turned over, some bytes more or less, or under another identifier."""
    data = bytearray(frame.data)
    for _ in range(draw.draw(st.integers(0, 2))):
        if data:
            bit = draw.draw(st.integers(0, 8 * len(data) - 1))
            data[bit // 8] ^= 1 << bit % 8
    match draw.draw(st.integers(0, 4)):
        case 1 if data:
            data.pop()
        case 2 if len(data) < 8:
            data.append(draw.draw(st.integers(0, 255)))
    identifier = frame.id
    if draw.draw(st.booleans()):
        identifier ^= 1 << draw.draw(st.integers(0, 28 if frame.extended else 10))
    return Frame(identifier, bytes(data), frame.extended)


# Files that ship.


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
@settings(max_examples=150, suppress_health_check=[HealthCheck.too_slow])
@given(draw=st.data())
def test_the_dialects_that_ship_are_read_alike(path, draw):
    both = Both(path)
    frame = bytes_agree(both, draw)
    both.check(frame)
    both.check(spoilt(frame, draw))
    both.check(Frame(frame.id, draw.draw(st.binary(max_size=8)), frame.extended))


# Random files.

SIGNED = ("signed", "sign_magnitude", "offset_binary", "signed_bcd")
UNSIGNED = ("unsigned", "bcd")
NARROWEST = {True: 8, False: 4}  # bits of a field, by whether it is signed


@st.composite
def numbers(draw: st.DrawFn, name: str, room: int, *, signed: bool) -> tuple[str, int]:
    """A field of any notation and width that has room, and its bits; the narrowest hold 0 to 9."""
    kind = draw(st.sampled_from(SIGNED if signed else UNSIGNED))
    step = 4 if "bcd" in kind else 1
    if room >= 32 and draw(st.integers(0, 4)) == 0:
        bits = draw(st.sampled_from([32, 64] if room >= 64 else [32]))
        more = draw(st.sampled_from(["", ", step: 1/8", ", step: 3", ", step: 1/10"]))
        return f"{{{name}: float {bits}{more}}}", bits
    bits = step * draw(st.integers(NARROWEST[signed] // step, room // step))
    return f"{{{name}: {kind} {bits}}}", bits


@st.composite
def fillers(draw: st.DrawFn, room: int) -> tuple[str, int]:
    """Something that holds no value of a verb's."""
    bits = draw(st.integers(1, min(room, 11)))
    if draw(st.booleans()):
        return f"{{constant: {draw(st.integers(0, (1 << bits) - 1))}, bits: {bits}}}", bits
    return f"{{ignored: {bits}}}", bits


CHECKSUMS = st.sampled_from(
    [
        ("sum 8", 8),
        ("sum 16", 16),
        ("xor 8", 8),
        ("{crc: 8, polynomial: 0x1D, initial: 0xFF, reflected: false, final: 0xFF}", 8),
        ("{crc: 8, polynomial: 0x31, initial: 0x5A, reflected: true, final: 0x00}", 8),
        ("{crc: 16, polynomial: 0x1021, initial: 0xFFFF, reflected: false, final: 0x0000}", 16),
        ("{crc: 16, polynomial: 0x8005, initial: 0x1234, reflected: true, final: 0xFFFF}", 16),
    ]
)
OVER = st.sampled_from(
    ["", ", over: [payload]", ", over: [identifier, payload]", ", over: [node, payload, identifier]"]
)


@st.composite
def payloads(
    draw: st.DrawFn, selector: int, fields: Mapping[str, bool], *, rolling: str = "", bits: int = 0, shortest: str = ""
) -> str:
    """
    A payload that begins with its selector and holds the fields (name: whether signed) somewhere, between other things;
    whole bytes, at most eight. `rolling` is what is said of a counter of `bits`, `shortest` a field of that kind.
    """
    parts, room = [f"{{constant: {selector}}}"], 56 - bits - (8 if shortest else 0)
    checksum = ""
    if draw(st.booleans()):
        what, width = draw(CHECKSUMS)
        checksum = f"{{checksum: {what}{draw(OVER)}}}"
        room -= width
    if checksum and draw(st.booleans()):
        parts.append(checksum)
        checksum = ""
    waiting = list(fields.items())
    while waiting:
        needed = sum(NARROWEST[signed] for _, signed in waiting)
        if room - needed > 1 and draw(st.integers(0, 2)) == 0:
            text, width = draw(fillers(room - needed))
        else:
            name, signed = waiting.pop(draw(st.integers(0, len(waiting) - 1)))
            text, width = draw(numbers(name, room - needed + NARROWEST[signed], signed=signed))
        parts.append(text)
        room -= width
    if bits:
        parts.append(f"{{rolling: {bits}{rolling}}}")
    if room % 8:
        parts.append(f"{{ignored: {room % 8}}}")
    if shortest:
        parts.append(f"{{{shortest}: shortest unsigned}}")
    if checksum:
        parts.append(checksum)
    return f"[{', '.join(parts)}]"


BASES = "halt: {base: 0x010}, begin: {base: 0x020}, tell: {base: 0x100}, ask: {base: 0x200}, say: {base: 0x300}"
DRAWN = ", ".join(
    f"{name}: {{fields: [{{constant: {top}, bits: 3}}, {{node: 8}}]}}"
    for top, name in ((0, "halt"), (1, "begin"), (2, "tell"), (5, "ask"), (6, "say"))
)
MIXED = (
    "halt: {base: 0x010}, begin: {base: 0x020}, tell: {base: 0x100},"
    " ask: {fields: [{ignored: 2}, {node: 6}, {constant: 0x0B, bits: 5}, {ignored: 3}, {constant: 0x1A2B, bits: 13}]},"
    " say: {fields: [{constant: 1, bits: 2}, {constant: 0x3FF, bits: 10}, {ignored: 1}, {node: 16}]}"
)
IDENTIFIERS = (f"{{bits: 11, {BASES}}}", f"{{bits: 29, {BASES}}}", f"{{bits: 11, {DRAWN}}}", f"{{bits: 29, {MIXED}}}")


SPELLED = re.compile(r"\{checksum: (\{[^}]*\}|[a-z]+ \d+)(, over: \[[^]]*\])?\}")


@st.composite
def with_names(draw: st.DrawFn, text: str) -> str:
    """The same dialect, with some of its checksums defined once, by names."""
    names: dict[str, str] = {}
    for number, part in enumerate(dict.fromkeys(found[0] for found in SPELLED.finditer(text))):
        if draw(st.booleans()):
            names[part] = f"check_{number}"
    lines = []
    for part, name in names.items():
        found = SPELLED.fullmatch(part)
        assert found is not None
        method = found[1][1:-1] if found[1].startswith("{") else found[1].replace(" ", ": ")
        lines.append(f"{name}: {{{method}{found[2] or ''}}}")
        text = text.replace(part, f"{{checksum: {name}}}")
    return text + (f"checksums: {{{', '.join(lines)}}}\n" if lines else "")


@st.composite
def texts(draw: st.DrawFn) -> str:
    """A dialect whose messages have random layouts, and whose checksums have names or not."""
    bits = draw(st.integers(0, 8))
    echoed = bits and draw(st.booleans())
    count = {"count": False}
    speech = {
        "echo": (
            draw(payloads(0x11, count, bits=bits, rolling=", echoed: true" if echoed else "")),
            draw(payloads(0x11, count, bits=bits if echoed else draw(st.integers(0, 8)))),
        ),
        "read_position": (draw(payloads(0x12, {})), draw(payloads(0x12, {"position": True}))),
        "read_setting": (draw(payloads(0x14, {"number": False})), draw(payloads(0x14, {}, shortest="value"))),
        "write_setting": (draw(payloads(0x15, {"number": False}, shortest="value")), draw(payloads(0x15, {}))),
        "preload": (draw(payloads(0x19, {"target": True, "speed": False})), draw(payloads(0x19, {"target": True}))),
    }
    said: dict[str, str] = {}
    for name, (request, reply) in speech.items():
        kind = MESSAGES[name].split(",", 1)[0]
        said[name] = (
            f"{kind}, request: {{on: ask, payload: {request}}}, reply: {{on: say, payload: {reply}, means: done}}}}"
        )
    if draw(st.booleans()):
        said["preload"] = (
            f"{{class: loads, frames: [{{request: {{on: ask, payload: {draw(payloads(0x1A, {'target': True}))}}}}},"
            f" {{request: {{on: ask, payload: {draw(payloads(0x1B, {'speed': False}))}}},"
            f" reply: {{on: say, payload: {draw(payloads(0x1B, {}))}, means: done}}}}],"
            " within: 50 ms, abort: clear_load}"
        )
    inputs = (
        "{bits: [home_switch, not_input_1, -, input_2, input_3, -, -, input_4, -, not_input_5, -, -]}, {ignored: 4}"
    )
    text = text_of(
        said,
        identifiers=draw(st.sampled_from(IDENTIFIERS)),
        byte_order=draw(st.sampled_from(["little", "big"])),
        move_speed="{unit: 1 counts/s, from: 1, to: 9, rounding: down}",
        settings="{speed: {number: 1, unit: 1 counts/s, from: 1, to: 9, rounding: down},"
        " acceleration: {number: 2, unit: 1 counts/s^2, from: 1, to: 9, rounding: down},"
        " quick_stop: {number: 3, unit: 1 counts/s^2, from: 1, to: 9, rounding: down}}",
        events=f"{{inputs: {{on: tell, payload: [{{constant: 1}}, {inputs}]}},"
        f" position: {{on: tell, payload: {draw(payloads(2, {'position': True}))}}}}}",
    )
    return draw(with_names(text))


def alike(text: str, draw: st.DataObject) -> None:
    """Several frames of a random dialect, whole, spoilt and random."""
    try:
        both = both_of(text)
    except Refused as refused:  # what choreo proves of a file, a drive takes for granted
        event(refused.findings[0].rule)
        assume(False)
    for _ in range(8):
        frame = bytes_agree(both, draw)
        both.check(frame)
        both.check(spoilt(frame, draw))
        both.check(Frame(frame.id, draw.draw(st.binary(max_size=8)), frame.extended))


@settings(max_examples=40, suppress_health_check=[HealthCheck.too_slow])
@given(texts(), st.data())
def test_random_dialects_are_read_alike(text, draw):
    alike(text, draw)


@pytest.mark.campaign
@settings(max_examples=3000, suppress_health_check=list(HealthCheck))
@given(texts(), st.data())
def test_many_random_dialects_are_read_alike(text, draw):
    alike(text, draw)


def test_a_misreading_would_be_seen():
    """The comparison can fail: a drive that takes the little order for the big one."""
    text = (SHIPPED / "short_frame.yaml").read_text(encoding="utf-8")
    both = both_of(text)
    both.drive = read_text_as_drive(text.replace("byte_order: little", "byte_order: big"))
    frame = both.host.encode("preload", 11, target=1, speed=2)
    with pytest.raises(AssertionError):
        both.check(frame)
