"""Opening a bus by its name: what is refused, with which exit code, and what that costs a command that opens none."""

import errno
import fcntl
import io
import os
import select
import subprocess
import sys
import uuid
from pathlib import Path
from types import SimpleNamespace

import can
import pytest
from can.interfaces.slcan import slcanBus
from can.interfaces.socketcan.socketcan import build_can_frame
from hypothesis import given
from hypothesis import strategies as st

from choreo.errors import Exit, LinkLost, RecipeError
from choreo.frame import Frame
from choreo.link.adapter import to_frame, to_message
from choreo.link.live import open_live
from choreo.link.past import KernelFrame, SerialLine, way_past
from choreo.link.port import Confirmed
from choreo.link.serial_port import port_trouble
from choreo.link.spec import option_value
from link.waiting import receive


@pytest.mark.parametrize("spec", ["", "socketcan", ":can0", "slcan:"])
def test_a_spec_names_an_interface_and_a_channel(spec: str) -> None:
    with pytest.raises(RecipeError, match="does not name an interface and a channel") as refusal:
        open_live(spec, 500_000)
    assert refusal.value.exit == Exit.REFUSED
    assert "socketcan:can0" in refusal.value.help


@pytest.mark.parametrize(
    ("written", "advice"),
    [("slcann", "Did you mean slcan?"), ("SocketCAN", "Did you mean socketcan?"), ("q", "slcan, ")],
)
def test_an_unknown_interface_is_refused_with_the_near_miss_or_those_there_are(written: str, advice: str) -> None:
    with pytest.raises(RecipeError, match=f"has no interface named '{written}'") as refusal:
        open_live(f"{written}:/dev/ttyACM0", 500_000)
    assert refusal.value.exit == Exit.REFUSED
    assert advice in refusal.value.help


def test_a_bit_rate_that_the_adapter_lacks_is_refused() -> None:
    # python-can's slcan driver has no 800 kbit/s.
    ours, theirs = os.openpty()
    try:
        with pytest.raises(RecipeError, match="at 800000 bit/s is refused") as refusal:
            open_live(f"slcan:{os.ttyname(theirs)}", 800_000)
        assert "500000" in str(refusal.value)
    finally:
        os.close(ours)
        os.close(theirs)


def test_an_adapter_that_is_not_there_is_a_lost_link() -> None:
    with pytest.raises(LinkLost, match="there is no serial port /dev/no_such_port") as loss:
        open_live("slcan:/dev/no_such_port", 500_000)
    assert loss.value.exit == Exit.LINK
    assert loss.value.help


def test_a_virtual_bus_confirms_when_the_frame_lies_with_the_others() -> None:
    channel = f"opening {uuid.uuid4()}"
    peer = can.Bus(interface="virtual", channel=channel)
    link = open_live(f"virtual:{channel}", 500_000)
    try:
        link.submit(Frame(0x14B, b"\x12"), confirm=True)
        assert isinstance(receive(link), Confirmed)
        got = peer.recv(0)
        assert got is not None
        assert (got.arbitration_id, bytes(got.data)) == (0x14B, b"\x12")
        peer.send(can.Message(arbitration_id=0x12B, data=b"\x92", is_extended_id=False))
        assert isinstance(receive(link), Frame)
        assert link.counts.echoes == 0
    finally:
        link.close()
        peer.shutdown()


def test_python_can_is_not_imported_before_a_bus_is_opened() -> None:
    code = (
        "import sys, choreo.link.live, choreo.link.trace, choreo.link.supervise;"
        "print('can' in sys.modules, 'anyio' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["False", "False"]


@given(st.integers(0, 0x1FFFFFFF), st.binary(max_size=8), st.booleans(), st.booleans())
def test_messages_and_frames_turn_into_each_other(id: int, data: bytes, extended: bool, remote: bool) -> None:
    frame = Frame(id if extended else id & 0x7FF, b"" if remote else data, extended, remote)
    message = to_message(frame)
    message._check()  # python-can's own idea of a valid message
    assert to_frame(message, 7) == frame._replace(t_ns=7)


# ---- options and sections --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("words", "value"),
    [
        ("115200", 115200),
        ("-3", -3),
        ("0x1F", 31),
        ("0.5", 0.5),
        ("1e-3", 0.001),
        ("true", True),
        ("Off", False),
        ("no", False),
        ("can0", "can0"),
        ("1.2.3.4", "1.2.3.4"),
        ("", ""),
        ("nan", "nan"),
    ],
)
def test_an_options_words_stand_for_a_number_yes_or_no_or_themselves(words: str, value: object) -> None:
    assert option_value(words) == value
    assert type(option_value(words)) is type(value)


@given(st.integers())
def test_whole_numbers_are_themselves(number: int) -> None:
    assert option_value(str(number)) == number


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_numbers_in_pythons_writing_are_themselves(number: float) -> None:
    assert option_value(repr(number)) == number


@given(st.text())
def test_no_words_raise(words: str) -> None:
    assert isinstance(option_value(words), bool | int | float | str)


def test_options_reach_the_driver() -> None:
    link = open_live(f"virtual:{uuid.uuid4()}", 500_000, {"rx_queue_size": "7"})
    try:
        assert link._bus.queue.maxsize == 7
    finally:
        link.close()


@pytest.mark.parametrize(
    ("options", "words", "advice"),
    [
        ({"rx_queue": "7"}, "has no option 'rx_queue'", "Did you mean rx_queue_size?"),
        ({"colour": "7"}, "has no option 'colour'", "It has preserve_timestamps, protocol, rx_queue_size."),
        ({"bitrate": "250000"}, "the bit rate is the recipe's", "Leave it out."),
        ({"channel": "9"}, "--bus names the channel", "Leave it out."),
        ({"can_filters": "9"}, "has to hear every frame", "Leave it out."),
        ({"no-name": "9"}, "'no-name' is no name of an option", ""),
    ],
)
def test_an_option_that_is_none_is_refused(options: dict[str, str], words: str, advice: str) -> None:
    with pytest.raises(RecipeError, match=words) as refusal:
        open_live(f"virtual:{uuid.uuid4()}", 500_000, options)
    assert refusal.value.exit == Exit.REFUSED
    assert refusal.value.help == advice


def test_a_value_that_the_driver_does_not_take_is_refused() -> None:
    ours, theirs = os.openpty()
    try:
        with pytest.raises(RecipeError, match="is refused"):
            open_live(f"slcan:{os.ttyname(theirs)}", 500_000, {"tty_baudrate": "fast"})
    finally:
        os.close(ours)
        os.close(theirs)


@pytest.fixture
def configured(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """python-can's configuration files, of which there is one: the test's."""
    file = tmp_path / "can.conf"
    monkeypatch.setattr(can.util, "CONFIG_FILES", [str(file)])
    for name in ("CAN_INTERFACE", "CAN_CHANNEL", "CAN_BITRATE"):
        monkeypatch.delenv(name, raising=False)
    return file


def test_a_section_of_python_cans_configuration_names_a_bus(configured: Path) -> None:
    channel = f"section {uuid.uuid4()}"
    configured.write_text(
        f"[default]\ninterface = socketcan\nchannel = can9\n"
        f"[bench]\ninterface = virtual\nchannel = {channel}\nbitrate = 500000\nrx_queue_size = 7\n"
    )
    link = open_live("section:bench", 500_000)
    peer = can.Bus(interface="virtual", channel=channel)
    try:
        assert link._bus.queue.maxsize == 7
        peer.send(can.Message(arbitration_id=0x12B, is_extended_id=False))
        assert isinstance(receive(link), Frame)
        link.submit(Frame(0x14B), confirm=True)
        assert isinstance(receive(link), Confirmed)  # choreo asks for its own frames back here as well
    finally:
        link.close()
        peer.shutdown()


@pytest.mark.parametrize(
    ("text", "words", "advice"),
    [
        ("[bench]\ninterface=virtual\nchannel=x\nbitrate=250000\n", "says 250000 bit/s, the recipe 500000", "correct"),
        ("[bent]\ninterface=virtual\nchannel=x\n", "no configuration file .* has a section 'bench'", "mean bent"),
        ("", "no configuration file .* has a section 'bench'", "It has none."),
        ("[bench]\ninterface=virtuall\nchannel=x\n", "no interface named 'virtuall'", "Did you mean virtual?"),
        ("[bench]\ninterface=virtual\n", "the section has no channel", ""),
        ("[bench]\ninterface=virtual\nchannel=x\ncolour=1\n", "has no option 'colour'", "rx_queue_size"),
        ("[bench]\ninterface=virtual\nchannel=x\nport=99999999\n", "cannot be used: .*0-65535", ""),
        ("[bench\n", "configuration cannot be used", ""),
    ],
)
def test_a_section_that_cannot_be_used_is_refused(configured: Path, text: str, words: str, advice: str) -> None:
    configured.write_text(text)
    with pytest.raises(RecipeError, match=words) as refusal:
        open_live("section:bench", 500_000)
    assert advice in refusal.value.help


def test_what_the_environment_says_does_not_replace_what_a_section_says(
    configured: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    channel = f"section {uuid.uuid4()}"
    monkeypatch.setenv("CAN_CHANNEL", "elsewhere")
    configured.write_text(f"[bench]\ninterface = virtual\nchannel = {channel}\n")
    link = open_live("section:bench", 500_000)
    assert link._bus.channel_id == channel
    link.close()


# ---- serial ports ----------------------------------------------------------------------------------------------


def test_a_port_that_another_program_holds_is_left_alone() -> None:
    ours, theirs = os.openpty()
    try:
        fcntl.flock(theirs, fcntl.LOCK_EX)
        with pytest.raises(LinkLost, match="another program holds the serial port") as loss:
            open_live(f"slcan:{os.ttyname(theirs)}@115200", 500_000)
        assert "choreo stop" in loss.value.help
        assert select.select([ours], [], [], 0)[0] == []  # not a byte was written to it
    finally:
        os.close(ours)
        os.close(theirs)


def test_a_port_is_held_while_it_is_open_and_free_afterwards() -> None:
    ours, theirs = os.openpty()
    port = os.ttyname(theirs)
    try:
        link = open_live(f"slcan:{port}", 500_000)
        with pytest.raises(LinkLost, match="another program holds"):
            open_live(f"slcan:{port}", 500_000)
        link.close()
        open_live(f"slcan:{port}", 500_000).close()
    finally:
        os.close(ours)
        os.close(theirs)


def test_a_port_is_free_again_when_its_opening_was_refused() -> None:
    ours, theirs = os.openpty()
    port = os.ttyname(theirs)
    try:
        with pytest.raises(RecipeError, match="is refused"):
            open_live(f"slcan:{port}", 800_000)
        open_live(f"slcan:{port}", 500_000).close()
    finally:
        os.close(ours)
        os.close(theirs)


def test_a_file_is_no_serial_port(tmp_path: Path) -> None:
    file = tmp_path / "port"
    file.write_text("")
    with pytest.raises(LinkLost, match="is no serial port"):
        open_live(f"slcan:{file}", 500_000)


@pytest.mark.parametrize(
    ("number", "words", "advice"),
    [
        (errno.EACCES, "may not be opened by this user", "group"),
        (errno.EBUSY, "another program holds", "End that program"),
        (errno.ENXIO, "there is no serial port", "Plug the adapter in"),
        (errno.EIO, "cannot be opened: Input/output error", "plugged in"),
    ],
)
def test_what_hinders_is_said_in_plain_words(number: int, words: str, advice: str) -> None:
    loss = port_trouble("/dev/ttyACM0", OSError(number, os.strerror(number)))
    assert words in loss.headline
    assert "/dev/ttyACM0" in loss.headline
    assert advice in loss.help


def test_a_kernel_interface_that_is_not_there_is_a_lost_link() -> None:
    with pytest.raises(LinkLost) as loss:
        open_live("socketcan:nosuchcan", 500_000)
    # Which of the two it is depends on the computer that the test runs on.
    assert "no such network interface" in str(loss.value) or "kernel has no CAN" in str(loss.value)
    assert loss.value.help


def test_an_interface_whose_library_is_missing_is_refused(capfd: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(RecipeError, match="the interface nican cannot be used here") as refusal:
        open_live("nican:CAN0", 500_000)
    assert refusal.value.help
    assert capfd.readouterr().err == ""


# ---- the way past ----------------------------------------------------------------------------------------------


def test_over_a_serial_line_there_is_a_way_past_python_can() -> None:
    ours, theirs = os.openpty()
    link = open_live(f"slcan:{os.ttyname(theirs)}", 500_000)
    try:
        past = link.way_past()
        assert not isinstance(past, str)
        descriptor, written = past
        assert os.path.samestat(os.fstat(descriptor), os.fstat(theirs))
        assert written(Frame(0x020, b"\x61")) == b"t020161\r"
    finally:
        link.close()
        os.close(ours)
        os.close(theirs)


def test_where_there_is_no_way_past_the_words_say_what_has_one() -> None:
    link = open_live(f"virtual:{uuid.uuid4()}", 500_000)
    try:
        assert link.way_past() == (
            "the interface virtual gives no way for another process to send through it; those that do are "
            "slcan and socketcan"
        )
    finally:
        link.close()


@pytest.mark.parametrize(
    ("interface", "descriptor", "platform", "words"),
    [
        ("slcan", 5, "win32", "on this system"),
        ("slcan", None, "linux", "has no descriptor"),
        ("", 5, "linux", "this bus gives no way"),
    ],
)
def test_why_there_is_none(interface: str, descriptor: int | None, platform: str, words: str) -> None:
    past = way_past(interface, descriptor, platform)
    assert isinstance(past, str)
    assert words in past


@given(st.integers(0, 0x1FFFFFFF), st.binary(max_size=8), st.booleans(), st.booleans())
def test_what_is_written_past_python_can_is_what_it_writes_itself(
    id: int, data: bytes, extended: bool, remote: bool
) -> None:
    frame = Frame(id if extended else id & 0x7FF, b"" if remote else data, extended, remote)
    line = io.BytesIO()
    driver = slcanBus.__new__(slcanBus)
    driver.serialPortOrig = SimpleNamespace(write=line.write, flush=lambda: None, write_timeout=None)
    driver.send(to_message(frame))
    driver._is_shutdown = True
    assert SerialLine()(frame) == line.getvalue()
    # Byte 7 is only looked at for lengths that are written as 9 to 15 (`len8_dlc`, linux/can.h); python-can fills it.
    ours, theirs = KernelFrame()(frame), build_can_frame(to_message(frame))
    assert ours[:7] + ours[8:] == theirs[:7] + theirs[8:]
