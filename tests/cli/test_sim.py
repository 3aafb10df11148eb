"""
`choreo sim`: a real process that serves a simulated machine, with python-can's own `slcan` driver at its port.

Frames are those of the shipped dialect, read from its file by eye: 0x140 + node asks, 0x120 + node answers, 11 is echo,
12 reads the position, 13 the status, 91 to 93 answer them; F1 at 0x060 + node tells a fault.
"""

import os
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import can
import pytest

from choreo.cli import main

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="there are no pseudo-terminals")

#: Far more than any of it takes; then the process is killed, and what waits for it fails.
LIMIT_S = 60.0


class Serving:
    """A `choreo sim` that runs; `buses` is what it said to use."""

    def __init__(self, *words: str) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-m", "choreo", "sim", *words],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        self.lines: list[str] = []
        self._killer = threading.Timer(LIMIT_S, self.process.kill)
        self._killer.start()
        self.until("it runs now")
        self.buses = [line.removeprefix("--bus ") for line in self.lines if line.startswith("--bus ")]

    def until(self, words: str) -> str:
        """The next line with these words in it."""
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self.lines.append(line.rstrip("\n"))
            if words in line:
                return self.lines[-1]
        raise AssertionError(f"never said {words!r}, but {self.lines}")

    def end(self, number: int = signal.SIGTERM) -> int:
        """Send a signal, if it still runs; the exit code, and `lines` are complete."""
        self.process.send_signal(number)
        return self.wait()

    def wait(self) -> int:
        out, err = self.process.communicate(timeout=LIMIT_S)
        self.lines += out.splitlines()
        assert err == ""
        return self.process.returncode

    def kill(self) -> None:
        self._killer.cancel()
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait()
        for stream in (self.process.stdout, self.process.stderr):
            if stream is not None:
                stream.close()


@contextmanager
def serving(*words: str) -> Iterator[Serving]:
    found = Serving(*words)
    try:
        yield found
    finally:
        found.kill()


@contextmanager
def driver(bus: str, bit_rate: int = 500_000) -> Iterator[can.BusABC]:
    interface, _, channel = bus.partition(":")
    opened = can.Bus(interface=interface, channel=channel, bitrate=bit_rate, sleep_after_open=0)
    try:
        yield opened
    finally:
        opened.shutdown()


def send(bus: can.BusABC, identifier: int, *data: int) -> None:
    bus.send(can.Message(arbitration_id=identifier, data=data, is_extended_id=False))


def hears(bus: can.BusABC, identifier: int) -> bytes:
    """The next frame of that identifier."""
    while (message := bus.recv(LIMIT_S)) is not None:
        if message.arbitration_id == identifier:
            return bytes(message.data)
    raise AssertionError(f"{identifier:#x} never came")


def ask(bus: can.BusABC, node: int, *data: int) -> bytes:
    send(bus, 0x140 + node, *data)
    return hears(bus, 0x120 + node)


def test_a_node_answers_and_sigterm_ends_it() -> None:
    with serving("kiln_gantry") as sim:
        (bus,) = sim.buses
        with driver(bus) as host:
            for node in (11, 12, 13, 14):
                assert ask(host, node, 0x11, node) == bytes([0x91, node])
            # The carriage's encoder as it stands at power-up, within its noise: sim/machines/kiln_gantry.yaml.
            reply = ask(host, 13, 0x12)
            assert reply[0] == 0x92
            assert abs(int.from_bytes(reply[1:], "little", signed=True) - 90017) <= 2
        sim.until("the host closed the channel")
        assert sim.end() == 0
    text = "\n".join(sim.lines)
    assert "host: the host opened the channel at 500 kbit/s" in text
    assert "carriage    truly stands at 400.000 mm, without power" in text
    assert "behind the clock" in sim.lines[-1]
    assert not os.path.exists(bus.removeprefix("slcan:"))


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGHUP], ids=lambda number: number.name)
def test_every_other_way_to_end_it_is_clean_too(number: signal.Signals) -> None:
    with serving("kiln_gantry") as sim:
        assert sim.end(number) == 0
    assert any(line.startswith("the plug is out after") for line in sim.lines)


def test_a_recipes_machine_is_served_and_its_steps_do_not_matter(recipe: Path) -> None:
    recipe.write_text(recipe.read_text().replace("- move: {shelf: {by: 5 mm}}", "- move: {shelf: {by: 5000 mm}}"))
    with serving(str(recipe)) as sim, driver(sim.buses[0]) as host:
        assert ask(host, 21, 0x11, 7) == b"\x91\x07"
    assert sim.lines[0].startswith("nominal machine at 500 kbit/s")


def test_a_wrong_bit_rate_is_said() -> None:
    with serving("kiln_gantry") as sim:
        with driver(sim.buses[0], 250_000):
            assert "opened the channel at 250 kbit/s, and the bus has 500 kbit/s" in sim.until("WRONG BIT RATE")
        assert sim.end() == 0


def test_a_host_that_is_gone_is_said_and_the_next_is_served(tmp_path: Path) -> None:
    program = (
        "import can, sys, os\n"
        "bus = can.Bus(interface='slcan', channel=sys.argv[1], bitrate=500000, sleep_after_open=0)\n"
        "bus.serialPortOrig.write(b't14B2')\n"
        "os.kill(os.getpid(), 9)\n"
    )
    with serving("kiln_gantry", "--port", str(tmp_path / "line")) as sim:
        assert sim.buses == [f"slcan:{tmp_path / 'line'}"]
        subprocess.run([sys.executable, "-c", program, str(tmp_path / "line")], timeout=LIMIT_S, check=False)
        sim.until("the host went away without closing the channel")
        with driver(sim.buses[0]) as host:
            assert ask(host, 11, 0x11, 1) == b"\x91\x01"
        assert sim.end() == 0
    assert list(tmp_path.iterdir()) == []


def test_two_adapters_see_each_other() -> None:
    with serving("kiln_gantry", "--adapters", "2") as sim:
        with driver(sim.buses[0]) as first, driver(sim.buses[1]) as second:
            sim.until("host 2: the host opened the channel")
            assert ask(first, 11, 0x11, 5) == b"\x91\x05"
            assert hears(second, 0x14B) == b"\x11\x05"  # what the first one sent
            assert hears(second, 0x12B) == b"\x91\x05"
            send(second, 0x020, 0x61)
            assert hears(first, 0x020) == b"\x61"
        assert sim.end() == 0


def test_a_fault_with_a_time_acts_and_is_said(tmp_path: Path) -> None:
    faults = tmp_path / "faults.yaml"
    faults.write_text("faults:\n  - {kind: drive_fault, axis: carriage, at: 20 ms}\n")
    with serving("kiln_gantry", "--faults", str(faults)) as sim:
        assert "0.020 s  fault drive_fault on carriage" in sim.until("fault drive_fault")
        with driver(sim.buses[0]) as host:
            status = ask(host, 13, 0x13)
            assert status[0] == 0x93
            assert status[2] == 2  # overcurrent
        assert sim.end() == 0
    assert "faults that acted:" in sim.lines


def test_damage_is_the_exit_code(tmp_path: Path) -> None:
    faults = tmp_path / "faults.yaml"
    faults.write_text("faults:\n  - {kind: brake_slips, axis: lift, at: 20 ms, speed: 50000 mm/s}\n")
    with serving("kiln_gantry", "--faults", str(faults), "--seed", "3") as sim:
        sim.until("DAMAGE: lift ran into its buffer")
        assert sim.end() == 3


def test_it_ends_by_itself_after_a_time() -> None:
    with serving("kiln_gantry", "--for", "50ms") as sim:
        assert sim.wait() == 0


def test_it_goes_on_when_nobody_reads_what_it_says() -> None:
    with serving("kiln_gantry") as sim:
        assert sim.process.stdout is not None
        sim.process.stdout.close()
        with driver(sim.buses[0]) as host:
            assert ask(host, 11, 0x11, 1) == b"\x91\x01"
        sim.process.send_signal(signal.SIGTERM)
        assert sim.process.wait(LIMIT_S) == 0
        assert sim.process.stderr is not None
        assert sim.process.stderr.read() == ""


def test_a_paced_line_answers_too() -> None:
    with serving("kiln_gantry", "--baud", "19200") as sim, driver(sim.buses[0]) as host:
        assert ask(host, 14, 0x11, 9) == b"\x91\x09"


def test_a_port_in_use_is_refused_and_stays(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "line"
    with serving("kiln_gantry", "--port", str(path)) as sim:
        assert main(["sim", "kiln_gantry", "--port", str(path)]) == 2
        assert f"--port {path} is in use" in capsys.readouterr().err
        with driver(sim.buses[0]) as host:
            assert ask(host, 11, 0x11, 1) == b"\x91\x01"


@pytest.mark.parametrize(
    ("words", "complaint"),
    [
        (["kiln_gantri"], "Did you mean kiln_gantry?"),
        (["nowhere.yaml"], "nowhere.yaml cannot be read"),
        (["index_table"], "Name a recipe or a machine file whose axes have this dialect."),
        (["kiln_gantry", "--faults", "nowhere.yaml"], "nowhere.yaml  cannot be read"),
        (["kiln_gantry", "--faults", "broken.yaml"], "'lost_repli' is not known here; did you mean 'lost_reply'?"),
        (["kiln_gantry", "--faults", "step.yaml"], "{kind: foreign_stop, step: home}"),
        (["kiln_gantry", "--baud", "fast"], "'fast' should be a whole number from 300 to"),
        (["kiln_gantry", "--baud", "299"], "'299' should be a whole number from 300 to"),
        (["kiln_gantry", "--adapters", "0"], "'0' should be a whole number from 1 to 8"),
        (["kiln_gantry", "--seed", "-1"], "seed"),
        (["kiln_gantry", "--for", "3 mm"], "'3 mm' should be a time above zero"),
        (["kiln_gantry", "--for", "0 s"], "'0 s' should be a time above zero"),
        (["kiln_gantry", "--for", "soon"], "argument --for"),
        (["kiln_gantry", "--port", "broken.yaml"], "--port broken.yaml is there already"),
        (["kiln_gantry", "--port", "nowhere/line"], "--port nowhere/line cannot be made"),
        ([], "MACHINE"),
    ],
)
def test_wrong_input_is_refused_in_words(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    words: list[str],
    complaint: str,
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("broken.yaml").write_text("faults:\n  - {kind: lost_repli, axis: lift}\n")
    Path("step.yaml").write_text("faults:\n  - {kind: foreign_stop, step: home}\n")
    assert main(["sim", *words]) == 2
    shown = capsys.readouterr()
    assert complaint in shown.err
    assert "Traceback" not in shown.err
    assert shown.out == ""
