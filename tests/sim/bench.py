"""
A test bench for simulated drives: one or more axes of known truth on a bus, and a host that speaks raw bytes.

The bytes are written down here from the dialect file by hand, so that the drive's own reading of it is tested too.
"""

import struct
from dataclasses import replace
from fractions import Fraction

from choreo.frame import Frame
from choreo_sim.bus import Bus
from choreo_sim.dialect_reader import SHIPPED, DriveDialect, read_dialect
from choreo_sim.kernel import Kernel
from choreo_sim.mechanics import Mechanics
from choreo_sim.short_frame_drive import ShortFrameDrive
from choreo_sim.truth import AxisTruth, BrakeTruth, Damage, HomeSwitch

MS = 1_000_000
SECOND = 1_000_000_000
PER_MM = 4915.2  # counts, practice.md "The demo machine": beam

# Raw settings that mean exactly 250 mm/s, 800 mm/s², 8000 mm/s³, 3000 mm/s² on that axis; the window is 2.998 mm.
SPEED, ACCELERATION, JERK, QUICK_STOP, WINDOW = 1200, 960, 600, 3600, 921
NUMBERS = {"speed": 1, "acceleration": 2, "jerk": 3, "quick_stop": 4, "following_error": 5, "torque_limit": 6}
RUN_SETTINGS = {
    "speed": SPEED,
    "acceleration": ACCELERATION,
    "jerk": JERK,
    "quick_stop": QUICK_STOP,
    "following_error": 65535,
}

HORIZONTAL = AxisTruth(
    name="axis",
    node=11,
    dialect="short_frame",
    unit="mm",
    counts_per_unit=Fraction(24576, 5),
    encoder_at_power_up=-250_000,
    start=Fraction(500),
    limit_switches=(Fraction(-20), Fraction(2420)),
    buffers=(Fraction(-60), Fraction(2460)),
    home=(HomeSwitch(Fraction(-8), -1),),
    lag_ns=0,
    reply_ns=(300_000, 900_000),
    settings=RUN_SETTINGS,
)
VERTICAL = replace(
    HORIZONTAL,
    name="lift",
    node=14,
    counts_per_unit=Fraction(32768, 5),
    start=Fraction(350),
    limit_switches=(Fraction(-8), Fraction(662)),
    buffers=(Fraction(-20), Fraction(675)),
    home=(HomeSwitch(Fraction(655), 1),),
    vertical=True,
    brake=BrakeTruth(40 * MS, 60 * MS, Fraction(0)),
)

ENABLED, MOVING, HOMED, LOADED, BRAKE_APPLIED, IN_POSITION = (1 << place for place in range(6))


def shipped() -> DriveDialect:
    return read_dialect(SHIPPED / "short_frame.yaml")


class Bench:
    """Drives by node, bodies by node, and what came back."""

    def __init__(self, *truths: AxisTruth, seed: int = 1, dialect: DriveDialect | None = None) -> None:
        self.kernel = Kernel()
        self.bus = Bus(self.kernel, 500_000)
        self.damage: list[Damage] = []
        self.bodies: dict[int, Mechanics] = {}
        self.drives: dict[int, ShortFrameDrive] = {}
        for truth in truths or (HORIZONTAL,):
            body = Mechanics(self.kernel, truth, self.damage, seed)
            self.bodies[truth.node] = body
            self.drives[truth.node] = ShortFrameDrive(self.kernel, self.bus, dialect or shipped(), body, seed)
        self.heard: list[tuple[int, Frame]] = []
        self.host = self.bus.attach("host", lambda frame, t_ns: self.heard.append((t_ns, frame)))

    @property
    def now(self) -> int:
        return self.kernel.now_ns

    def wait(self, ns: int) -> None:
        self.kernel.run_until(self.now + ns)

    def send(self, identifier: int, data: bytes) -> None:
        """A frame of the host's, and the time that it takes to arrive."""
        self.host.send(Frame(identifier, data))
        while self.host.pending:
            self.kernel.step()

    def ask(self, data: str | bytes, node: int = 11) -> str:
        """The reply to a request, as `94.00`; empty if there is none within 5 ms."""
        self.heard.clear()
        self.send(0x140 + node, bytes.fromhex(data) if isinstance(data, str) else data)
        self.wait(5 * MS)
        replies = [frame for _, frame in self.heard if frame.id == 0x120 + node]
        assert len(replies) <= 1
        return replies[0].data.hex(" ").upper() if replies else ""

    def events(self, node: int = 11) -> list[str]:
        return [frame.data.hex(" ").upper() for _, frame in self.heard if frame.id == 0x060 + node]

    def position(self, node: int = 11) -> int:
        reply = bytes.fromhex(self.ask("12", node))
        assert reply[0] == 0x92
        return struct.unpack("<i", reply[1:])[0]

    def status(self, node: int = 11) -> tuple[int, int]:
        """Flags and fault."""
        reply = bytes.fromhex(self.ask("13", node))
        assert (reply[0], len(reply)) == (0x93, 3)
        return reply[1], reply[2]

    def enable(self, node: int = 11) -> None:
        assert self.ask("31 01", node) == "B1 01"

    def write(self, name: str, value: int, node: int = 11) -> str:
        return self.ask(struct.pack("<BBH", 0x22, NUMBERS[name], value), node)

    def move(self, target: int, speed: int = SPEED, node: int = 11) -> str:
        return self.ask(struct.pack("<BiH", 0x41, target, speed), node)

    def preload(self, target: int, speed: int = SPEED, node: int = 11) -> str:
        return self.ask(struct.pack("<BiH", 0x42, target, speed), node)

    def start(self) -> None:
        self.send(0x040, b"\x51")

    def stop(self, node: int = 0) -> None:
        self.send(0x020 + node, b"\x61")

    def quick_stop(self, node: int = 0) -> None:
        self.send(0x020 + node, b"\x62")

    def mm(self, node: int = 11) -> float:
        return self.bodies[node].position(self.now)


def cruising(truth: AxisTruth = HORIZONTAL, mm: float = 1500.0) -> Bench:
    """A bench whose axis goes `mm` far and has just reached its full speed."""
    bench = Bench(truth)
    bench.enable()
    bench.move(bench.position() + round(mm * PER_MM) * (-1 if truth.inverted else 1))
    bench.wait(500 * MS)
    return bench
