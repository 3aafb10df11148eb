"""
CiA 301 and 402 on the wire. Bytes, codes and tables are those of facts.md B and C (their sources stand there); the
tables are also compared with the canopen library's, a general-purpose implementation by other people.
"""

import struct
from fractions import Fraction

import pytest
from canopen.profiles.p402 import State402
from canopen.sdo.exceptions import SdoAbortedError
from hypothesis import given
from hypothesis import strategies as st

from choreo.frame import Frame
from choreo.wire.cia402 import CIA402, PowerState, power_state
from choreo.wire.cia402.emcy import error_text, read_emergency
from choreo.wire.cia402.objects import POSITION_ACTUAL, SETTING_OBJECTS, STATUSWORD, DriveObject
from choreo.wire.cia402.pdo import POSITION_SAMPLE, PdoMapping
from choreo.wire.cia402.sdo import ABORT_CODES, Abort, Segmented, UploadAnswer, read_answer, upload_request
from choreo.wire.cia402.states import FAULTED, POWERED, STATE_TABLE
from choreo.wire.dialect import TO_ALL
from choreo.wire.words import FrameClass, Setting


def data(text):
    return bytes.fromhex(text)


# facts.md B8: produced by a client and a server of the canopen library, node 1.
@pytest.mark.parametrize(
    ("index", "request_bytes", "answer", "value"),
    [
        (0x6041, "40 41 60 00 00 00 00 00", "4B 41 60 00 37 06 00 00", data("37 06")),
        (0x1000, "40 00 10 00 00 00 00 00", "43 00 10 00 92 01 02 00", data("92 01 02 00")),
        (0x6060, "40 60 60 00 00 00 00 00", "4F 60 60 00 01 00 00 00", data("01")),
    ],
)
def test_reading_an_object(index, request_bytes, answer, value):
    assert upload_request(1, index, 0) == Frame(0x601, data(request_bytes))
    assert read_answer(data(answer)) == UploadAnswer(index, 0, value, True)


# facts.md B8 as well: what a server answers to a write that it refuses.
@pytest.mark.parametrize(
    ("answer", "index", "code", "meaning"),
    [
        ("80 41 60 00 02 00 01 06", 0x6041, 0x0601_0002, "write to a read-only object"),
        ("80 00 65 00 00 00 02 06", 0x6500, 0x0602_0000, "object not in the dictionary"),
        ("80 60 60 00 10 00 07 06", 0x6060, 0x0607_0010, "length does not match the type"),
    ],
)
def test_aborts(answer, index, code, meaning):
    abort = read_answer(data(answer))
    assert abort == Abort(index, 0, code)
    assert abort.meaning == meaning


def test_the_other_answers():
    """facts.md B7: size not indicated, three bytes, segmented, and what is no answer to an upload."""
    assert read_answer(data("42 64 60 00 01 02 03 04")) == UploadAnswer(0x6064, 0, data("01 02 03 04"), False)
    assert read_answer(data("47 64 60 05 01 02 03 04")) == UploadAnswer(0x6064, 5, data("01 02 03"), True)
    assert read_answer(data("41 08 10 00 0A 00 00 00")) == Segmented(0x1008, 0)
    assert read_answer(data("60 40 60 00 00 00 00 00")) is None  # the answer to a download
    assert read_answer(data("4B 41 60 00 37 06 00")) is None  # seven bytes
    assert read_answer(b"") is None


@pytest.mark.parametrize(("node", "index", "subindex"), [(0, 1, 0), (128, 1, 0), (1, 0x10000, 0), (1, 1, 256)])
def test_requests_out_of_range(node, index, subindex):
    with pytest.raises(ValueError, match="is outside"):
        upload_request(node, index, subindex)


@given(st.integers(1, 127), st.integers(0, 0xFFFF), st.integers(0, 255), st.binary(min_size=1, max_size=4))
def test_any_object_is_asked_for_and_read(node, index, subindex, value):
    request = upload_request(node, index, subindex)
    assert request.id == 0x600 + node
    assert struct.unpack("<BHB4x", request.data) == (0x40, index, subindex)
    command = 0x43 + 4 * (4 - len(value))  # facts.md B7
    answer = struct.pack("<BHB", command, index, subindex) + value.ljust(4, b"\xa5")
    assert read_answer(answer) == UploadAnswer(index, subindex, value, True)


@given(st.integers(0, 0xFFFF), st.integers(0, 255), st.integers(0, 0xFFFF_FFFF))
def test_any_abort_is_read(index, subindex, code):
    abort = read_answer(struct.pack("<BHBI", 0x80, index, subindex, code))
    assert abort == Abort(index, subindex, code)
    assert abort.meaning


@given(st.binary(max_size=8))
def test_no_answer_makes_reading_raise(answer):
    read = read_answer(answer)
    if read is not None:
        assert (read.index, read.subindex) == struct.unpack("<HB", answer[1:4])


def test_every_abort_code_of_the_standard_has_a_meaning():
    """facts.md B9 has 31 codes; the canopen library's table is a second source for all but what it leaves out."""
    assert len(ABORT_CODES) == 31
    assert set(SdoAbortedError.CODES) <= set(ABORT_CODES)
    assert len(set(ABORT_CODES.values())) == 31


@given(st.integers(0, 0xFFFF), st.integers(-(1 << 31), (1 << 31) - 1))
def test_a_pushed_sample_is_statusword_and_position(statusword, position):
    assert POSITION_SAMPLE.decode(struct.pack("<Hi", statusword, position)) == (statusword, position)


def test_the_sample_of_the_reference():
    """facts.md C15: 0x181 with statusword 0x1637 and position 100000; B11: the mapping parameters."""
    assert POSITION_SAMPLE.decode(data("37 16 A0 86 01 00")) == (0x1637, 100000)
    assert POSITION_SAMPLE.parameters == (0x60410010, 0x60640020)
    assert POSITION_SAMPLE.decode(data("37 16 A0 86 01")) is None
    assert POSITION_SAMPLE.decode(data("37 16 A0 86 01 00 00")) is None


@given(st.data())
def test_a_mapping_of_any_widths_is_packed_from_the_least_significant_bit(draws):
    """Packed here as a text of binary digits, last object first: the same thing said another way."""
    objects, texts, values = [], [], []
    room = 64
    while room and draws.draw(st.booleans()):
        bits = draws.draw(st.integers(1, min(room, 32)))
        signed = draws.draw(st.booleans())
        text = draws.draw(st.text("01", min_size=bits, max_size=bits))
        value = int(text, 2)
        objects.append(DriveObject(0x2000, len(objects), bits, signed, "any"))
        texts.insert(0, text)
        values.append(value - (1 << bits) if signed and text[0] == "1" else value)
        room -= bits
    packed = int("".join(texts) or "0", 2).to_bytes(-(-(64 - room) // 8), "little")
    assert PdoMapping(objects).decode(packed) == tuple(values)


def test_a_mapping_has_64_bits_at_most():
    with pytest.raises(ValueError, match="72 bits"):
        PdoMapping((POSITION_ACTUAL, POSITION_ACTUAL, DriveObject(0x6060, 0, 8, True, "modes of operation")))


# facts.md C3.
@pytest.mark.parametrize(
    ("statusword", "state"),
    [
        (0x0200, "not ready to switch on"),
        (0x0250, "switch on disabled"),
        (0x0231, "ready to switch on"),
        (0x0233, "switched on"),
        (0x0237, "operation enabled"),
        (0x0637, "operation enabled"),
        (0x1237, "operation enabled"),
        (0x2237, "operation enabled"),
        (0x1A37, "operation enabled"),
        (0x0217, "quick stop active"),
        (0x021F, "fault reaction active"),
        (0x0218, "fault"),
    ],
)
def test_statuswords_of_the_reference(statusword, state):
    assert power_state(statusword) == state


def test_every_statusword_has_one_state_or_none():
    """facts.md C3: of 65,536 words 12,288 have exactly one state and 53,248 none; canopen agrees on each."""
    theirs = {mask_value: name.lower() for name, mask_value in State402.SW_MASK.items()}
    known = unknown = 0
    for word in range(0x10000):
        fitting = [state for state, mask, value in STATE_TABLE if word & mask == value]
        assert len(fitting) <= 1
        state = power_state(word)
        assert fitting == ([] if state is PowerState.UNKNOWN else [state])
        assert [name for (mask, value), name in theirs.items() if word & mask == value] == [str(s) for s in fitting]
        known += len(fitting)
        unknown += not fitting
    assert (known, unknown) == (12_288, 53_248)


def test_every_state_is_sorted():
    assert {state for state, _, _ in STATE_TABLE} | {PowerState.UNKNOWN} == set(PowerState)
    assert PowerState.FAULT not in POWERED
    assert {PowerState.FAULT, PowerState.FAULT_REACTION_ACTIVE} == FAULTED


def test_emergencies_of_the_reference():
    """facts.md B6 and C13."""
    emergency = read_emergency(data("11 86 21 01 02 03 04 05"))
    assert (emergency.code, emergency.register, emergency.manufacturer) == (0x8611, 0x21, data("01 02 03 04 05"))
    assert emergency.text == "following error"
    assert not emergency.is_reset
    assert read_emergency(bytes(8)).is_reset
    assert read_emergency(bytes(7)) is None
    # The classes that the canopen library's own texts leave empty (facts.md B6, library caution).
    assert [error_text(code) for code in (0x5113, 0x7121, 0x7305)] == [
        "device hardware",
        "motor blocked",
        "incremental sensor 1",
    ]


@given(st.integers(0, 0xFFFF))
def test_every_error_code_has_a_text(code):
    assert error_text(code)
    assert (error_text(code) == "no error") == (code < 0x100)


@pytest.mark.parametrize(
    ("frame", "message", "node", "values", "from_drive"),
    [
        (Frame(0x605, data("40 64 60 00 00 00 00 00")), "sdo_upload", 5, {"index": 0x6064, "subindex": 0}, False),
        (
            Frame(0x585, data("4B 41 60 00 37 06 00 00")),
            "sdo_upload",
            5,
            {"index": 0x6041, "subindex": 0, "value": 0x0637},
            True,
        ),
        (
            Frame(0x585, data("80 00 65 00 00 00 02 06")),
            "sdo_abort",
            5,
            {"index": 0x6500, "subindex": 0, "code": 0x0602_0000},
            True,
        ),
        (Frame(0x185, data("37 16 A0 86 01 00")), "position", 5, {"statusword": 0x1637, "position": 100000}, True),
        (Frame(0x085, data("11 86 21 01 02 03 04 05")), "fault", 5, {"code": 0x8611, "register": 0x21}, True),
        (Frame(0x705, b"\x00"), "boot", 5, {"state": 0}, True),
        (Frame(0x705, b"\x05"), "heartbeat", 5, {"state": 5}, True),
    ],
)
def test_frames_of_the_dialect(frame, message, node, values, from_drive):
    decoded = CIA402.decode(frame)
    assert (decoded.message, decoded.node, decoded.values, decoded.from_drive) == (message, node, values, from_drive)
    assert decoded.frame_class is FrameClass.NEUTRAL


@pytest.mark.parametrize(
    "frame",
    [
        Frame(0x605, data("2B 40 60 00 0F 00 00 00")),  # a controlword by SDO: not one of the verbs
        Frame(0x605, data("23 7A 60 00 A0 86 01 00")),
        Frame(0x000, data("01 00")),  # NMT
        Frame(0x080),  # SYNC
        Frame(0x205, data("1F 00 A0 86 01 00")),  # RPDO1
        Frame(0x605, data("40 64 60 00 00 00 00 00"), extended=True),
        Frame(0x605, remote=True),
        Frame(0x600, data("40 64 60 00 00 00 00 00")),  # no node 0
    ],
)
def test_nothing_that_could_move_a_drive_is_of_the_dialect(frame):
    assert CIA402.decode(frame) is None


@given(st.integers(0, (1 << 29) - 1), st.binary(max_size=8), st.booleans(), st.booleans())
def test_no_frame_makes_decoding_raise(identifier, payload, extended, remote):
    decoded = CIA402.decode(Frame(identifier, payload, extended, remote))
    if decoded is not None:
        assert identifier & 0x7F == decoded.node
        assert decoded.frame_class is FrameClass.NEUTRAL


def test_what_the_dialect_says_of_itself():
    """Object indexes: facts.md C10."""
    assert (CIA402.family, CIA402.node_range, CIA402.poll_bytes) == ("cia402", (1, 127), (8, 8))
    assert CIA402.setting_by_number(0x6081) is Setting.SPEED
    assert CIA402.setting_by_number(0x6085) is Setting.QUICK_STOP
    assert CIA402.setting_by_number(0x6040) is None
    assert set(CIA402.settings) == set(SETTING_OBJECTS) == set(Setting)
    assert CIA402.settings[Setting.TORQUE_LIMIT].from_raw(1000) == 100
    assert CIA402.settings[Setting.TORQUE_LIMIT].step == Fraction(1, 10)
    with pytest.raises(ValueError, match="monitoring off"):
        CIA402.settings[Setting.FOLLOWING_ERROR].to_raw(Fraction(0xFFFF_FFFF))
    assert STATUSWORD.place == "0x6041:00"


def test_identifiers_are_those_of_the_predefined_connection_set():
    """facts.md B1 (CiA 301), the column of node 5: EMCY, TPDO1, RPDO1 and on by turns, SDO, heartbeat."""
    node_5 = [0x085, 0x185, 0x205, 0x285, 0x305, 0x385, 0x405, 0x485, 0x505, 0x585, 0x605, 0x705]
    assert sorted(CIA402.identifiers([5])) == node_5
    assert {CIA402.addressee(identifier) for identifier in node_5} == {5}
    assert [CIA402.addressee(identifier) for identifier in (0x000, 0x080, 0x100)] == [TO_ALL] * 3  # NMT, SYNC, TIME
    assert [CIA402.addressee(identifier) for identifier in (0x180, 0x7E5, 0x705 + 0x80)] == [None] * 3
    assert CIA402.start_frame == Frame(0x080, b"")
    assert CIA402.stop_frames == ()
