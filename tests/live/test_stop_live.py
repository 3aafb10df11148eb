"""
The stop from a second terminal over a real driver: python-can's `slcan`, a pseudo-terminal, a simulated machine in real
time. The first terminal's session is gone in mid-move as if it had been killed; or its process is there and hangs.
"""

import os
import signal
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from choreo.api import check, machine_plan, simulation_request
from choreo.cli import main
from choreo.errors import Exit, LinkLost, MachineFault, RecipeError
from choreo.frame import Frame
from choreo.journal import JournalWriter, read_journal
from choreo.link.simulated import run_by_hand
from choreo.live import stop as live_stop
from choreo.live.stop import Stopped, Wanted, stop_machine
from choreo.plan.model import Plan
from choreo.run import stopping
from choreo.run.executor import perform
from choreo.run.stop_now import stop_now
from choreo.running import announced
from choreo_sim.machine import Machine, build
from live.bench import SerialBench
from live.test_session_live import RECIPE, SECOND, patient
from service.stand_in import BUS, MACHINE
from service.test_stop import Start, start

__all__ = ["start"]  # the fixture


class KilledError(BaseException):
    """What no session catches."""


@pytest.fixture(autouse=True)
def patience(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """No outcome depends on how the cores are shared, and no other test's process is found."""
    monkeypatch.setattr(stopping, "MARGIN_NS", 30 * SECOND)
    monkeypatch.setattr(live_stop, "GUARDIAN_S", 0.0)
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    monkeypatch.chdir(tmp_path)


def unhurried() -> Plan:
    """The machine, with a drive that may take its time to answer."""
    plan = machine_plan(RECIPE)
    return replace(plan, axes=tuple(replace(axis, reply_timeout_ns=10 * SECOND) for axis in plan.axes))


class Bench(SerialBench):
    """The two slides behind a serial adapter."""

    def __init__(self) -> None:
        plan = check(RECIPE).plan
        assert plan is not None
        super().__init__(plan.bit_rate)
        self.plan = patient(plan, 10 * SECOND)
        self.machine: Machine = build(self.kernel, self.bus, simulation_request(plan))
        self.sent: list[Frame] = []
        self.bus.taps.append(lambda frame, t_ns, sender: self.sent.append(frame) if sender == "host" else None)

    @property
    def spec(self) -> str:
        """What `--bus` is."""
        return f"slcan:{self.adapter.port}"

    @contextmanager
    def served(self) -> Iterator[None]:
        """While inside, the machine is there, and a driver may open its port."""
        with self.running():
            try:
                yield
            finally:
                self.adapter.close()

    def run_until_killed(self) -> None:
        """A session that sets both slides in motion and is gone then."""
        from choreo.link.live import open_live

        def record(kind: str, t_ns: int, fields: dict[str, Any]) -> None:
            if kind == "onset":
                raise KilledError

        link = open_live(self.spec, self.plan.bit_rate)
        try:
            with pytest.raises(KilledError):
                run_by_hand(perform(self.plan, link, JournalWriter(None, observer=record), mode="live", seed=0))
        finally:
            link.close()
        self.realtime.call(self.sent.clear)

    def stands(self) -> bool:
        """By the machine's truth, which may be asked beyond now."""
        now = self.kernel.now_ns
        return all(axis.position(now) == axis.position(now + SECOND) for axis in self.machine.axes.values())


def test_axes_in_motion_come_to_rest_and_the_folder_says_so() -> None:
    bench, said = Bench(), list[str]()
    with bench.served():
        bench.run_until_killed()
        assert not bench.stands()
        stopped = stop_machine(unhurried(), Wanted(bus=bench.spec, stamp="now"), said.append)
        assert stopped.exit is Exit.DONE, stopped.headline
        assert {axis.axis: axis.proven for axis in stopped.axes} == {"near_slide": True, "far_slide": True}
        assert bench.stands()
    assert [frame[:2] for frame in bench.sent[:3]] == [(0x020, b"\x61"), (0x023, b"\x61"), (0x029, b"\x61")]
    assert stopped.folder == Path("runs/two-slides-once-there-stopped-now")
    assert read_journal(stopped.folder / "journal.jsonl").complete
    assert "020#61" in (stopped.folder / "trace.log").read_text(encoding="ascii")
    assert (stopped.folder / "summary.json").exists()
    assert any("Stopping every node" in line for line in said)


def test_the_command_stops_and_says_what_stands(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    async def interrupted(*args: Any, **options: Any) -> Any:
        for _ in range(3):
            os.kill(os.getpid(), signal.SIGINT)
        return await stop_now(*args, **options)

    monkeypatch.setattr("choreo.api.machine_plan", lambda path: unhurried())
    monkeypatch.setattr(live_stop, "stop_now", interrupted)
    bench = Bench()
    with bench.served():
        bench.run_until_killed()
        code = main(["stop", str(RECIPE), "--bus", bench.spec, "--quick", "--out", "mine"])
    out, err = capsys.readouterr()
    assert (code, err) == (Exit.DONE, "")
    assert "near_slide has come to rest at" in out
    assert "far_slide has come to rest at" in out
    assert "SIGINT: the stop goes on to its end." in out
    assert out.rstrip().endswith("Every axis has come to rest.")
    assert "run folder: mine" in out
    assert bench.sent[0][:2] == (0x020, b"\x62")


def test_a_port_that_somebody_holds_is_told_on_and_nothing_is_sent(capsys: pytest.CaptureFixture[str]) -> None:
    bench = Bench()
    with bench.linked():
        code = main(["stop", str(RECIPE), "--bus", bench.spec])
        out, err = capsys.readouterr()
        assert code == Exit.LINK
        assert "NOTHING WAS SENT" in err
        assert "emergency stop" in err
        assert "another program" in err
        with announced("some other machine", bench.spec, Path("its-run")):
            code = main(["stop", str(RECIPE), "--bus", bench.spec])
        out, err = capsys.readouterr()
        assert code == Exit.LINK
        assert "has some other machine on this bus" in out
        assert f"process {os.getpid()}" not in err  # this very process, which is not in the way of itself
    assert bench.sent == []


def test_a_process_that_stops_the_machine_is_followed_and_no_bus_opened(start: Start) -> None:
    running, said = start("stops"), list[str]()
    stopped = stop_machine(replace(unhurried(), machine=MACHINE), Wanted(bus="slcan:/dev/none"), said.append)
    assert (stopped.exit, stopped.folder) == (Exit.DONE, running.folder)
    assert said == [
        f"Process {running.pid} has {MACHINE} on {BUS}: it is asked to stop.",
        "It is stopping: stopped by the operator: SIGTERM",
    ]


@pytest.mark.parametrize(("way", "exit"), [("lift_unproven", Exit.STOPPED), ("loses_link", Exit.LINK)])
def test_what_it_cannot_prove_is_not_proven(start: Start, way: str, exit: Exit) -> None:
    start(way)
    stopped = stop_machine(replace(unhurried(), machine=MACHINE), Wanted(), lambda line: None)
    assert stopped.exit is exit
    assert "lift" in stopped.headline


def test_a_halted_process_is_told_on_and_the_bus_is_stopped_past_it(start: Start) -> None:
    running, said = start("stops"), list[str]()
    os.kill(running.pid, signal.SIGSTOP)
    bench = Bench()
    with bench.served():
        bench.run_until_killed()
        wanted = Wanted(bus=bench.spec, stamp="now")
        stopped: Stopped = stop_machine(replace(unhurried(), machine=MACHINE), wanted, said.append)
        assert bench.stands()
    assert stopped.exit is Exit.DONE
    assert f"PROCESS {running.pid} DOES NOT REACT" in said[1]
    assert "halted" in said[1]


def test_a_halted_process_without_a_bus_is_an_error_that_says_how_to_go_on(start: Start) -> None:
    running = start("stops")
    os.kill(running.pid, signal.SIGSTOP)
    with pytest.raises(MachineFault) as fault:
        stop_machine(replace(unhurried(), machine=MACHINE), Wanted(), lambda line: None)
    assert "not proven to stand" in fault.value.headline
    for word in ("emergency stop", "--bus", f"kill -9 {running.pid}"):
        assert word in fault.value.help


def test_a_process_that_halted_with_the_only_adapter(start: Start) -> None:
    running = start("stops")
    os.kill(running.pid, signal.SIGSTOP)
    (running.folder / "guardian.json").write_text('{"why": "silence", "outcome": "the machine was told to stop"}')
    with pytest.raises(LinkLost) as lost:
        stop_machine(replace(unhurried(), machine=MACHINE), Wanted(bus=BUS), lambda line: None)
    assert "NOTHING WAS SENT" in lost.value.headline
    assert f"process {running.pid} has it and does not react" in lost.value.headline
    assert "Its guardian: silence; the machine was told to stop" in lost.value.headline


def test_a_process_that_ends_without_a_stop_leaves_the_axes_unproven(start: Start) -> None:
    start("is_done")
    with pytest.raises(MachineFault, match="no axis is proven to stand") as fault:
        stop_machine(replace(unhurried(), machine=MACHINE), Wanted(), lambda line: None)
    assert f"--bus {BUS}" in fault.value.help


def test_without_a_process_a_bus_is_wanted() -> None:
    with announced("another machine", "x:y", Path()), pytest.raises(RecipeError) as refused:
        stop_machine(unhurried(), Wanted(), lambda line: None)
    assert "--bus" in refused.value.help
    assert "another machine on x:y" in refused.value.headline


def test_a_folder_that_cannot_be_had_keeps_no_stop_waiting(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "journal.jsonl").write_text("an earlier run's")
    (tmp_path / "runs").write_text("a file where a folder is wanted")
    bench, said = Bench(), list[str]()
    with bench.served():
        stopped = stop_machine(unhurried(), Wanted(bus=bench.spec, out=Path("full"), stamp="now"), said.append)
    assert stopped.exit is Exit.DONE
    assert any("full" in line and "holds something already" in line for line in said)
    assert (tmp_path / "full" / "journal.jsonl").read_text() == "an earlier run's"
    assert stopped.folder is not None
    assert stopped.folder.parent == tmp_path
    assert read_journal(stopped.folder / "journal.jsonl").complete
