"""The listener itself: what it finds, what it lets pass, and when it stays out of the way."""

import re
import struct
from fractions import Fraction

import pytest

from choreo.frame import Frame
from choreo.link.port import SimulationRequest
from choreo_sim.link import SimulatedLink, open_simulated

from .limits import read_limits
from .listener import MACHINE_FILES, Listener

MS = 1_000_000
BEAM = Fraction(24576, 5)  # counts per mm, practice.md "The demo machine"
LIFT = Fraction(32768, 5)


class Host:
    """Sends raw frames to the kiln gantry; nothing of choreo's session stands in between."""

    def __init__(self) -> None:
        self.link: SimulatedLink = open_simulated(SimulationRequest("kiln_gantry", (), 500_000))

    def send(self, identifier: int, data: bytes) -> None:
        self.link.submit(Frame(identifier, data))
        self.link.kernel.run_until(self.link.now_ns() + 5 * MS, [], [])

    def ask(self, node: int, data: str | bytes) -> None:
        self.send(0x140 + node, bytes.fromhex(data) if isinstance(data, str) else data)

    def preload(self, node: int, target: int, speed: int) -> None:
        self.ask(node, struct.pack("<BiH", 0x42, target, speed))

    def write(self, node: int, number: int, value: int) -> None:
        self.ask(node, struct.pack("<BBH", 0x22, number, value))

    def home(self, node: int, edge: int) -> None:
        """Let the drive capture its edge and declare it, by putting its body beside the switch."""
        drive = next(drive for drive in self.link.machine.drives.values() if drive.node == node)
        drive.servo.latch = round(drive.mechanics.counts(float(drive.mechanics.truth.home[0].edge)))
        self.ask(node, struct.pack("<Bi", 0x27, edge))


@pytest.fixture
def host() -> Host:
    return Host()


@pytest.fixture
def listener(listeners: list[Listener], host: Host) -> Listener:
    return listeners[0]


def found(listener: Listener) -> list[str]:
    """What it found, and forget it, so that the test does not fail by it."""
    words = [violation.what for violation in listener.violations()]
    listener.forgive()
    return words


def test_limits_are_read_from_the_machine_file_by_its_own_arithmetic():
    limits = read_limits(MACHINE_FILES["kiln_gantry"])
    assert sorted(limits) == [11, 12, 13, 14]
    left, right, lift = limits[11], limits[12], limits[14]
    assert left.travel == (0, 2400 * BEAM)
    assert right.travel == (-2400 * BEAM, 0)
    assert left.ceilings == {
        "speed": 400 * BEAM,
        "acceleration": 800 * BEAM,
        "jerk": 8000 * BEAM,
        "quick_stop": 3000 * BEAM,
    }
    assert (left.edge, right.edge) == (-8 * BEAM, Fraction(69, 10) * BEAM)
    assert (left.unhomed_reach, left.unhomed_speed) == (2500 * BEAM, 60 * BEAM)
    assert lift.travel == (0, 650 * LIFT)


def test_it_is_hung_on_every_machine_that_it_knows(listener, host):
    assert listener.active
    host.ask(11, "12")
    assert listener.frames == 1
    assert found(listener) == []


def test_it_stays_out_of_the_way_of_other_machines(listeners):
    open_simulated(SimulationRequest(None, (), 500_000))
    assert not listeners[-1].active
    assert listeners[-1].violations() == []


@pytest.mark.parametrize(
    ("identifier", "data", "what"),
    [
        (0x14B, "99", "means nothing to the drives"),
        (0x14B, "31", "means nothing to the drives"),
        (0x300, "12", "means nothing to the drives"),
        (0x140, "31 01", "enable is broadcast; only start and stop may be"),
        (0x140, "12", "read_position is broadcast; only start and stop may be"),
        (0x14F, "12", "read_position is for node 15, which the machine does not have"),
        (0x02F, "61", "stop is for node 15, which the machine does not have"),
        (0x14B, "22 09 01 00", "setting 9 is none of the dialect's"),
    ],
)
def test_frames_that_should_not_be(listener, host, identifier, data, what):
    host.send(identifier, bytes.fromhex(data))
    assert found(listener) == [what]


def test_starts_and_stops_may_be_broadcast(listener, host):
    for identifier, data in ((0x040, b"\x51"), (0x020, b"\x61"), (0x020, b"\x62"), (0x02B, b"\x61")):
        host.send(identifier, data)
    assert found(listener) == []


def test_targets_of_an_unhomed_axis_end_at_its_reach(listener, host):
    host.preload(11, 0, 100)
    assert found(listener) == ["a target before anybody asked where the axis stands"]
    host.ask(11, "12")
    here = -1_830_427
    host.preload(11, here - 2500 * 4915, 100)
    assert found(listener) == []
    host.preload(11, here - 2500 * 4916, 100)
    assert "more than 12288000.0 counts from" in found(listener)[0]


def test_speeds_of_an_unhomed_axis(listener, host):
    """60 mm/s are 288 raw."""
    host.ask(11, "12")
    host.preload(11, -1_830_000, 288)
    assert found(listener) == []
    for raw in (289, 0):
        host.preload(11, -1_830_000, raw)
        assert found(listener) == [f"beam_left: speed {raw} is outside 1 to 288.0 (raw)"]


def test_targets_and_speeds_of_a_homed_axis(listener, host):
    host.ask(12, "12")
    host.home(12, round(Fraction(69, 10) * BEAM))
    host.preload(12, -2400 * 4915, 1920)
    assert found(listener) == []
    host.preload(12, -2400 * 4915, 1921)
    assert found(listener) == ["beam_right: speed 1921 is outside 1 to 1920.0 (raw)"]
    host.ask(12, "12")
    host.preload(12, -2400 * 4916, 1920)
    assert found(listener) == [
        "beam_right: speed 1920 is outside 1 to 288.0 (raw)",
        "beam_right: out of its travel, and not to find its switch",
    ]


def test_an_axis_leaves_its_travel_only_to_find_its_switch(listener, host):
    host.ask(11, "12")
    host.home(11, round(-8 * BEAM))
    host.ask(11, "12")
    host.preload(11, -100 * 4915, 288)
    assert [violation.what for violation in listener.violations()] == [
        "beam_left: out of its travel, and not to find its switch"
    ]
    host.ask(11, "25")
    assert found(listener) == []
    host.preload(11, 100 * 4915, 1200)
    assert found(listener) == ["beam_left: speed 1200 is outside 1 to 288.0 (raw)"]


def test_an_edge_must_be_declared_where_it_lies(listener, host):
    host.ask(14, "12")
    host.home(14, 655 * 6553)
    assert found(listener) == ["declares the edge at 4292215 counts; it lies at 4292608.0"]


@pytest.mark.parametrize(
    ("number", "name", "highest"),
    [(1, "speed", 1920), (2, "acceleration", 960), (3, "jerk", 600), (4, "quick_stop", 3600), (6, "torque_limit", 100)],
)
def test_settings_end_at_their_limits(listener, host, number, name, highest):
    host.write(11, number, highest)
    assert found(listener) == []
    for raw in (highest + 1, 0):
        host.write(11, number, raw)
        assert found(listener) == [f"beam_left: {name} {raw} is outside 1 to {highest}.0 (raw)"]


def stop_all(host: Host) -> None:
    host.send(0x020, b"\x62")
    for node in (11, 12, 13, 14):
        host.send(0x020 + node, b"\x62")


@pytest.mark.parametrize(
    ("identifier", "data", "kind"),
    [
        (0x14B, struct.pack("<BiH", 0x42, -1_830_000, 100), "loads"),
        (0x14B, struct.pack("<BiH", 0x41, -1_830_000, 100), "moves"),
        (0x040, b"\x51", "starts"),
        (0x14B, b"\x31\x01", "enables"),
        (0x14B, b"\x33", "resets"),
    ],
)
def test_after_the_last_stop_of_a_failed_run_nothing_may_move(listener, host, identifier, data, kind):
    host.ask(11, "12")
    host.send(identifier, data)
    stop_all(host)
    assert found(listener) == []
    host.send(identifier, data)
    assert [violation.what for violation in listener.violations()] == [f"{kind} after the last stop"]
    host.send(0x020, b"\x62")  # judged by the last stop: the host has repeated it
    assert found(listener) == []


def test_a_stop_of_some_is_not_the_end_of_a_run(listener, host):
    """Homing stops the two sides of the beam and goes on."""
    host.ask(11, "12")
    for node in (11, 12):
        host.send(0x020 + node, b"\x61")
    host.preload(11, -1_830_000, 100)
    assert found(listener) == []


def test_power_may_be_taken_after_the_last_stop(listener, host):
    stop_all(host)
    host.ask(14, "32 01")
    host.ask(14, "31 00")
    host.ask(11, "43")
    assert found(listener) == []


def test_a_violation_says_when_what_and_why(host, listener):
    host.send(0x140, b"\x31\x01")
    (violation,) = listener.violations()
    assert re.fullmatch(r"0\.000\d{3} s  140#31\.01  enable is broadcast; only start and stop may be", str(violation))
    listener.forgive()
