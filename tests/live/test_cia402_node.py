"""
The simulated node of the open standard against the standard's bytes, and read by other people's code.

Bytes and tables: facts.md B2 to B9 (CiA 301) and C3 to C5, C15 (CiA 402); the canopen library 2.4.1 as an SDO client.
"""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from itertools import pairwise

import can
import pytest

from choreo.drive.cia402 import Cia402Drive
from choreo.drive.conversation import Ask, Conversation, Reply
from choreo.drive.verbs import DriveEvent, Status
from choreo.errors import RefusedByDrive
from choreo.frame import Frame
from choreo.link.live import open_live
from choreo.wire.cia402 import CIA402
from choreo_sim.bus import Bus
from choreo_sim.cia402_node import Cia402Node, Command, PowerState
from choreo_sim.kernel import Kernel
from choreo_sim.link import SimulatedLink
from link.waiting import LONG_S, receive
from live.bench import Bench, VirtualBridge

MS = 1_000_000


class Network:
    """A bus in virtual time with a node on it and a listener that notes what it says."""

    def __init__(self, node_id: int = 1, position: Callable[[int], int] = lambda t_ns: 100_000, **options: int) -> None:
        self.kernel = Kernel()
        self.bus = Bus(self.kernel, 500_000)
        self.heard: list[tuple[int, Frame]] = []
        self.master = self.bus.attach("master", lambda frame, t_ns: self.heard.append((t_ns, frame)))
        self.node = Cia402Node(self.kernel, self.bus, node_id, position, **options)

    def passes(self, ns: int) -> list[Frame]:
        """Let time pass; what the node said meanwhile."""
        self.heard.clear()
        self.kernel.run_until(self.kernel.now_ns + ns)
        return [frame for _, frame in self.heard]

    def answers(self, id: int, data: str) -> list[Frame]:
        """Send a frame; what the node says within 5 ms."""
        self.master.send(Frame(id, bytes.fromhex(data)))
        return self.passes(5 * MS)


def said(id: int, data: str) -> list[Frame]:
    return [Frame(id, bytes.fromhex(data))]


@pytest.fixture
def network() -> Network:
    network = Network()
    assert network.passes(5 * MS) == said(0x701, "00")  # boot-up, facts.md B4
    return network


def enable(network: Network) -> None:
    for word in ("06", "07", "0F"):  # facts.md C5, "enabling from switch on disabled"
        network.answers(0x601, f"2B 40 60 00 {word} 00 00 00")
    assert network.node.power is PowerState.OPERATION_ENABLED


# ---- SDO ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("request_", "answer"),
    [  # facts.md B8, node 1
        ("2F 60 60 00 01 00 00 00", "60 60 60 00 00 00 00 00"),
        ("2B 40 60 00 0F 00 00 00", "60 40 60 00 00 00 00 00"),
        ("23 7A 60 00 A0 86 01 00", "60 7A 60 00 00 00 00 00"),
        ("23 7A 60 00 60 79 FE FF", "60 7A 60 00 00 00 00 00"),
        ("40 41 60 00 00 00 00 00", "4B 41 60 00 37 06 00 00"),
        ("40 00 10 00 00 00 00 00", "43 00 10 00 92 01 02 00"),
        ("40 60 60 00 00 00 00 00", "4F 60 60 00 01 00 00 00"),
        ("2B 41 60 00 00 00 00 00", "80 41 60 00 02 00 01 06"),
        ("2B 00 65 00 00 00 00 00", "80 00 65 00 00 00 02 06"),
        ("2B 60 60 00 00 00 00 00", "80 60 60 00 10 00 07 06"),
        # B9 for what the library's own server does not check:
        ("40 41 60 01 00 00 00 00", "80 41 60 01 11 00 09 06"),  # no such sub-index
        ("40 00 65 00 00 00 00 00", "80 00 65 00 00 00 02 06"),  # no such object
        ("2F 60 60 00 09 00 00 00", "80 60 60 00 30 00 09 06"),  # a mode it does not have
        ("21 60 60 00 01 00 00 00", "80 60 60 00 01 00 04 05"),  # a transfer in segments
        ("60 00 00 00 00 00 00 00", "80 00 00 00 01 00 04 05"),
        ("22 7A 60 00 01 02 03 04", "60 7A 60 00 00 00 00 00"),  # size not indicated, B7
    ],
)
def test_sdo_bytes(network: Network, request_: str, answer: str) -> None:
    enable(network)
    assert network.answers(0x601, request_) == said(0x581, answer)


def test_what_was_written_is_read_back(network: Network) -> None:
    network.answers(0x601, "23 7A 60 00 60 79 FE FF")
    assert network.node.target == -100_000
    assert network.answers(0x601, "40 7A 60 00 00 00 00 00") == said(0x581, "43 7A 60 00 60 79 FE FF")


@pytest.mark.parametrize(
    ("id", "data"), [(0x601, "80 41 60 00 00 00 04 05"), (0x601, "40 41 60 00"), (0x602, "40 41 60 00 00 00 00 00")]
)
def test_what_is_no_request_to_it_is_not_answered(network: Network, id: int, data: str) -> None:
    assert network.answers(id, data) == []


def test_the_position_is_that_of_the_moment() -> None:
    network = Network(5, lambda t_ns: t_ns // MS * -7)
    network.passes(100 * MS)
    (answer,) = network.answers(0x605, "40 64 60 00 00 00 00 00")
    assert answer == Frame(0x585, bytes.fromhex("43646000") + (-700).to_bytes(4, "little", signed=True))


# ---- network management and pushed frames ------------------------------------------------------------------------


def test_samples_are_pushed_while_operational_at_the_event_timer() -> None:
    network = Network(1, event_timer_ms=10)
    enable(network)
    assert network.passes(50 * MS) == []  # pre-operational: no PDO (facts.md B3)
    network.master.send(Frame(0x000, b"\x01\x01"))
    pushed = network.passes(105 * MS)
    assert pushed == said(0x181, "37 06 A0 86 01 00") * 10  # statusword 0x0637, position 100000: facts.md C3, C15
    times = [t_ns for t_ns, _ in network.heard]
    assert {later - earlier for earlier, later in pairwise(times)} == {10 * MS}
    network.answers(0x000, "80 00")
    assert network.passes(50 * MS) == []


def test_the_event_timer_can_be_written(network: Network) -> None:
    network.answers(0x000, "01 00")
    assert network.passes(50 * MS) == []
    assert network.answers(0x601, "2B 00 18 05 14 00 00 00") == said(0x581, "60 00 18 05 00 00 00 00")
    assert len(network.passes(200 * MS)) == 10
    network.answers(0x601, "2B 00 18 05 00 00 00 00")
    assert network.passes(200 * MS) == []


def test_the_heartbeat_says_the_state(network: Network) -> None:
    assert network.answers(0x601, "2B 17 10 00 64 00 00 00") == said(0x581, "60 17 10 00 00 00 00 00")
    assert network.passes(200 * MS) == said(0x701, "7F") * 2
    for command, state in (("01", "05"), ("02", "04"), ("80", "7F")):  # facts.md B2
        network.answers(0x000, f"{command} 01")
        assert network.passes(200 * MS) == said(0x701, state) * 2


def test_a_stopped_node_is_silent_to_sdo_and_answers_again(network: Network) -> None:
    # facts.md B3, practice.md P16
    network.answers(0x000, "02 01")
    assert network.answers(0x601, "40 41 60 00 00 00 00 00") == []
    network.answers(0x000, "80 01")
    assert network.answers(0x601, "40 41 60 00 00 00 00 00") == said(0x581, "4B 41 60 00 50 02 00 00")


def test_a_reset_boots_again_and_takes_power_away(network: Network) -> None:
    enable(network)
    assert network.answers(0x000, "82 01") == said(0x701, "00")
    assert network.node.power is PowerState.OPERATION_ENABLED
    assert network.answers(0x000, "81 00") == said(0x701, "00")
    assert network.node.power is PowerState.SWITCH_ON_DISABLED


def test_a_fault_is_an_emergency_until_it_is_reset(network: Network) -> None:
    enable(network)
    network.node.fail(0x8611)
    assert network.passes(5 * MS) == said(0x081, "11 86 21 00 00 00 00 00")  # facts.md B6
    assert network.answers(0x601, "40 41 60 00 00 00 00 00") == said(0x581, "4B 41 60 00 18 02 00 00")
    assert network.answers(0x601, "40 3F 60 00 00 00 00 00") == said(0x581, "4B 3F 60 00 11 86 00 00")
    network.answers(0x601, "2B 40 60 00 0F 00 00 00")
    assert network.node.power is PowerState.FAULT
    cleared = network.answers(0x601, "2B 40 60 00 80 00 00 00")
    assert Frame(0x081, bytes(8)) in cleared
    assert network.node.power is PowerState.SWITCH_ON_DISABLED


def test_node_ids_are_those_of_the_standard() -> None:
    for node_id in (0, 128):
        with pytest.raises(ValueError, match="CiA 301 has 1 to 127"):
            Network(node_id)


# ---- power states --------------------------------------------------------------------------------------------------

#: facts.md C4: a value of the controlword for each command.
WORDS = {
    Command.SHUTDOWN: 0x0006,
    Command.SWITCH_ON: 0x0007,
    Command.ENABLE_OPERATION: 0x000F,
    Command.DISABLE_VOLTAGE: 0x0000,
    Command.QUICK_STOP: 0x0002,
}
#: facts.md C5, read from its table row by row; whatever is not in it leaves the state as it is.
SOD, RTSO, SO, OE, QS = list(PowerState)[:5]
WALKS = {
    (SOD, 0x0006): RTSO,  # 2
    (RTSO, 0x0007): SO,  # 3
    (RTSO, 0x000F): OE,  # 3 then 4
    (SO, 0x000F): OE,  # 4
    (OE, 0x0007): SO,  # 5
    (SO, 0x0006): RTSO,  # 6
    (RTSO, 0x0000): SOD,  # 7
    (RTSO, 0x0002): SOD,  # 7
    (OE, 0x0006): RTSO,  # 8
    (OE, 0x0000): SOD,  # 9
    (SO, 0x0000): SOD,  # 10
    (SO, 0x0002): SOD,  # 10
    (OE, 0x0002): QS,  # 11
    (QS, 0x0000): SOD,  # 12
    (QS, 0x000F): OE,  # 16, option code 6
}


@pytest.mark.parametrize("state", [SOD, RTSO, SO, OE, QS])
@pytest.mark.parametrize("word", WORDS.values())
def test_every_state_obeys_every_controlword_as_the_standard_says(
    network: Network, state: PowerState, word: int
) -> None:
    network.node.power = state
    network.answers(0x601, f"2B 40 60 00 {word:02X} 00 00 00")
    assert network.node.power is WALKS.get((state, word), state)


@pytest.mark.parametrize("state", list(PowerState))
def test_the_canopen_library_knows_every_statusword(network: Network, state: PowerState) -> None:
    from canopen.profiles.p402 import State402

    network.node.power = state
    word = network.node.statusword
    named = [name for name, (mask, value) in State402.SW_MASK.items() if word & mask == value]
    assert [name.replace(" ", "_") for name in named] == [state.name]


# ---- choreo's own verbs --------------------------------------------------------------------------------------------


def converse(link: SimulatedLink, conversation: Conversation[object]) -> object:
    """Hold a conversation of plain requests over a link."""
    reply: Reply | None = None
    while True:
        try:
            want = conversation.send(reply)
        except StopIteration as end:
            return end.value
        assert isinstance(want, Ask)
        asked_ns = link.now_ns()
        link.submit(want.frame)
        value = None
        while value is None:
            got = receive(link, 100 * MS)
            assert got is not None, f"no answer to {want.what}"
            if isinstance(got, Frame) and got.id == want.lane:
                value = want.decode(got)
        reply = Reply(value, asked_ns, link.now_ns())


def test_choreo_reads_position_and_status_over_sdo_and_takes_a_pushed_sample() -> None:
    kernel = Kernel()
    bus = Bus(kernel, 500_000)
    node = Cia402Node(kernel, bus, 5, lambda t_ns: t_ns // MS, event_timer_ms=10)
    link = SimulatedLink(kernel, bus)
    drive = Cia402Drive(CIA402, 5)
    boot = receive(link)
    assert isinstance(boot, Frame)
    assert drive.decode_event(boot) == DriveEvent(5, "boot", 0)
    kernel.run_until(1234 * MS)
    position = converse(link, drive.read_position())
    assert position == 1234
    assert converse(link, drive.status()) == Status(enabled=False, moving=False, fault=0)
    node.fail(0x7121)
    status = converse(link, drive.status())
    assert isinstance(status, Status)
    assert status.fault == 0x7121
    link.submit(Frame(0x000, b"\x01\x05"))
    sample = receive(link)
    while not (isinstance(sample, Frame) and sample.id == 0x185):
        sample = receive(link)
    event = drive.decode_event(sample)
    assert event is not None
    assert (event.kind, event.node) == ("position", 5)
    assert event.value == sample.t_ns // MS - (sample.t_ns // MS) % 10


# ---- other people's client -----------------------------------------------------------------------------------------


@contextmanager
def canopen_node(channel: str, node_id: int) -> Iterator[object]:
    """A node as the canopen library sees it from a master on python-can's virtual bus."""
    import canopen

    network = canopen.Network(can.Bus(interface="virtual", channel=channel))
    network.NOTIFIER_CYCLE = 0.05
    network.connect()
    node = canopen.RemoteNode(node_id, canopen.ObjectDictionary())
    network.add_node(node)
    node.sdo.RESPONSE_TIMEOUT = LONG_S
    try:
        yield node
    finally:
        network.disconnect()


def test_the_canopen_library_reads_the_node_over_a_virtual_bus() -> None:
    from canopen import SdoAbortedError

    bench = Bench()
    node = Cia402Node(bench.kernel, bench.bus, 5, lambda t_ns: -123_456, event_timer_ms=5)
    bridge = VirtualBridge(bench)
    with bench.running(), bridge.open() as channel, canopen_node(channel, 5) as remote:
        assert remote.sdo.upload(0x1000, 0) == bytes.fromhex("92010200")
        assert remote.sdo.upload(0x6041, 0) == bytes.fromhex("5002")
        assert int.from_bytes(remote.sdo.upload(0x6064, 0), "little", signed=True) == -123_456
        for word, state in ((0x06, RTSO), (0x07, SO), (0x0F, OE)):
            remote.sdo.download(0x6040, 0, bytes([word, 0]))
            assert node.power is state
        assert remote.sdo.upload(0x6041, 0) == bytes.fromhex("3706")
        with pytest.raises(SdoAbortedError) as missing:
            remote.sdo.upload(0x6500, 0)
        assert missing.value.code == 0x06020000
        with pytest.raises(SdoAbortedError) as read_only:
            remote.sdo.download(0x6041, 0, b"\x00\x00")
        assert read_only.value.code == 0x06010002
        remote.nmt.send_command(1)
        link = open_live(f"virtual:{channel}", 500_000)
        got = receive(link)
        assert isinstance(got, Frame)
        assert (got.id, got.data) == (0x185, bytes.fromhex("3706C01DFEFF"))
        link.close()


def test_choreos_client_reads_the_librarys_server_over_a_virtual_bus() -> None:
    from canopen import LocalNode, Network, ObjectDictionary
    from canopen.objectdictionary import ODVariable

    dictionary = ObjectDictionary()
    for index, data_type in ((0x6041, 6), (0x6064, 4)):
        entry = ODVariable(f"{index:04X}", index)
        entry.data_type = data_type
        dictionary.add_object(entry)
    channel = "served by the library"
    network = Network(can.Bus(interface="virtual", channel=channel))
    network.NOTIFIER_CYCLE = 0.05
    network.connect()
    server = LocalNode(9, dictionary)
    network.add_node(server)
    server.sdo[0x6041].raw = 0x0237
    server.sdo[0x6064].raw = -4711
    link = open_live(f"virtual:{channel}", 500_000)
    try:
        drive = Cia402Drive(CIA402, 9)
        assert converse(link, drive.read_position()) == -4711
        assert converse(link, drive.status()) == Status(enabled=True, moving=True, fault=0, in_position=False)
        server.sdo[0x6041].raw = 0x0218  # in fault: the error code is asked for, and this server has none
        with pytest.raises(RefusedByDrive, match="0x06020000"):
            converse(link, drive.status())
    finally:
        link.close()
        network.disconnect()
