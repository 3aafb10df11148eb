"""The two verbs and the pushed sample of CiA 402 as scripts of frames; bytes of facts.md B8, B4, B6, C3, C15."""

import inspect

import pytest
from hypothesis import given
from hypothesis import strategies as st

from choreo.drive.cia402 import Cia402Drive
from choreo.drive.families import FAMILIES, make_drive
from choreo.drive.verbs import Drive, DriveEvent, Status
from choreo.errors import Exit, RecipeError, RefusedByDrive
from choreo.frame import Frame
from choreo.wire.cia402 import CIA402
from choreo.wire.cia402.sdo import ABORT_CODES
from choreo.wire.described import shipped
from choreo.wire.words import Setting
from drive.script import Lost, Script, rx, tx

NODE = Cia402Drive(CIA402, 1)
ASK_STATUSWORD = tx(0x601, "40 41 60 00 00 00 00 00")
ASK_POSITION = tx(0x601, "40 64 60 00 00 00 00 00")


def test_the_statusword_of_the_reference():
    talk = Script(ASK_STATUSWORD, rx(0x581, "4B 41 60 00 37 06 00 00"))
    assert talk.run(NODE.status()) == Status(enabled=True, moving=False, fault=0, in_position=True)
    assert (talk.asks[0].lane, talk.asks[0].again, talk.asks[0].keep) == (0x581, 2, False)


@pytest.mark.parametrize(
    ("statusword", "status"),
    [
        ("37 02", Status(enabled=True, moving=True, fault=0, in_position=False)),
        ("31 02", Status(enabled=False, moving=False, fault=0)),
        ("17 02", Status(enabled=True, moving=True, fault=0)),  # quick stop active
        ("50 02", Status(enabled=False, moving=False, fault=0)),
        ("FF FF", Status(enabled=False, moving=False, fault=0)),  # no state of the standard
    ],
)
def test_statuswords(statusword, status):
    assert Script(ASK_STATUSWORD, rx(0x581, f"4B 41 60 00 {statusword} 00 00")).run(NODE.status()) == status


@pytest.mark.parametrize(
    ("code", "fault", "text"), [("11 86", 0x8611, "following error"), ("00 00", 0x1000, "generic error")]
)
def test_in_fault_the_error_code_is_read(code, fault, text):
    talk = Script(
        ASK_STATUSWORD,
        rx(0x581, "4B 41 60 00 18 02 00 00"),
        tx(0x601, "40 3F 60 00 00 00 00 00"),
        rx(0x581, f"4B 3F 60 00 {code} 00 00"),
    )
    assert talk.run(NODE.status()) == Status(enabled=False, moving=False, fault=fault, fault_text=text)


@given(st.integers(-(1 << 31), (1 << 31) - 1), st.integers(1, 127), st.sampled_from(["43", "42"]))
def test_any_position_of_any_node(position, node, command):
    drive = Cia402Drive(CIA402, node)
    answer = f"{command} 64 60 00 {position.to_bytes(4, 'little', signed=True).hex()}"
    asked = tx(0x600 + node, "40 64 60 00 00 00 00 00")
    assert Script(asked, rx(0x580 + node, answer)).run(drive.read_position()) == position


def test_an_answer_counts_only_with_its_index_and_subindex():
    """practice.md P12; a late answer must not be taken for the next one's."""
    talk = Script(
        ASK_POSITION,
        rx(0x581, "4B 41 60 00 37 06 00 00"),  # the statusword, late
        rx(0x581, "43 64 60 01 01 00 00 00"),  # another sub-index
        rx(0x582, "43 64 60 00 01 00 00 00"),  # another node
        rx(0x581, "80 41 60 00 24 00 00 08"),  # the abort of another
        rx(0x581, "60 64 60 00 00 00 00 00"),  # the answer to a download
        Lost(),
        ASK_POSITION,
        rx(0x581, "43 64 60 00 60 79 FE FF"),
    )
    assert talk.run(NODE.read_position()) == -100000
    assert len(talk.strays) == 5


@pytest.mark.parametrize("code", ABORT_CODES)
def test_every_abort_is_a_refusal_with_its_meaning(code):
    talk = Script(ASK_POSITION, rx(0x581, "80 64 60 00 " + code.to_bytes(4, "little").hex()))
    with pytest.raises(RefusedByDrive) as raised:
        talk.run(NODE.read_position())
    assert raised.value.headline == (
        f"node 1 refused to read position actual value (0x6064:00): {ABORT_CODES[code]} (SDO abort code 0x{code:08X})"
    )
    assert (raised.value.node, raised.value.exit) == (1, Exit.STOPPED)


@pytest.mark.parametrize(
    ("answer", "words"),
    [
        ("4B 64 60 00 01 00 00 00", "2 bytes came, and 4 are wanted"),
        ("41 64 60 00 10 00 00 00", "more than four bytes come in answer, and 4 are wanted"),
        ("80 64 60 00 EF BE AD DE", "does not define"),
    ],
)
def test_answers_that_are_of_no_use(answer, words):
    with pytest.raises(RefusedByDrive, match=words):
        Script(ASK_POSITION, rx(0x581, answer)).run(NODE.read_position())


@given(st.binary(max_size=8), st.integers(0, 0x7FF))
def test_no_frame_is_a_position_by_accident(data, identifier):
    frame = Frame(identifier, data)
    try:
        position = NODE.poll_position().decode(frame)
    except RefusedByDrive:
        position = None
        assert (identifier, data[1:4]) == (0x581, b"\x64\x60\x00")
    if position is not None:
        assert (identifier, len(data), data[1:4]) == (0x581, 8, b"\x64\x60\x00")
        assert data[0] in (0x43, 0x42)


@pytest.mark.parametrize(
    ("frame", "event"),
    [
        (Frame(0x181, bytes.fromhex("37 16 A0 86 01 00")), DriveEvent(1, "position", 100000, "operation enabled")),
        (Frame(0x081, bytes.fromhex("11 86 21 01 02 03 04 05")), DriveEvent(1, "fault", 0x8611, "following error")),
        (Frame(0x081, bytes(8)), None),  # the error is gone
        (Frame(0x701, b"\x00"), DriveEvent(1, "boot", 0)),
        (Frame(0x701, b"\x05"), None),  # a heartbeat
        (Frame(0x182, bytes.fromhex("37 16 A0 86 01 00")), None),
        (Frame(0x181, bytes.fromhex("37 16 A0 86 01")), None),
        (Frame(0x581, bytes.fromhex("43 64 60 00 01 00 00 00")), None),
    ],
)
def test_events(frame, event):
    assert NODE.event_ids == (0x081, 0x181, 0x701)
    assert NODE.decode_event(frame) == event


ARGUMENTS = {
    "echo": (1,),
    "feed": ("echo", 1),
    "echo_ask": (1,),
    "read_setting": (Setting.SPEED,),
    "write_setting": (Setting.SPEED, 1),
    "set_brake": (True,),
    "home_at": (0,),
    "move": (0, 1),
    "preload": (0, 1),
    "preload_nothing": (0, 1),
    "set_output": (1, True),
}
OFFERED = {"poll_position", "read_position", "status", "decode_event"}
VERBS = [name for name, member in inspect.getmembers(Drive, inspect.isfunction) if not name.startswith("_")]


@pytest.mark.parametrize("verb", [verb for verb in VERBS if verb not in OFFERED])
def test_every_other_verb_is_refused_when_it_is_asked_for(verb):
    with pytest.raises(RecipeError, match="not offered yet for CiA 402") as raised:
        getattr(NODE, verb)(*ARGUMENTS.get(verb, ()))
    assert (raised.value.node, raised.value.exit) == (1, Exit.REFUSED)


def test_node_numbers():
    with pytest.raises(RecipeError, match="node 128 is outside the nodes of CiA 301, 1 to 127"):
        Cia402Drive(CIA402, 128)


@pytest.mark.parametrize("dialect", [CIA402, shipped("short_frame")], ids=lambda dialect: dialect.name)
def test_a_drive_of_each_family_has_every_verb(dialect):
    drive = make_drive(dialect, 7)
    assert dialect.family in FAMILIES
    assert (drive.node, drive.dialect) == (7, dialect.name)
    assert all(callable(getattr(drive, verb)) for verb in VERBS)
