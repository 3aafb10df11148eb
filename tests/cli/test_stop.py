"""`choreo stop`: what it says for wrong input, and that no terminal and no key keeps it from its work."""

import gc
import os
import signal
import subprocess
import sys
import threading
from collections.abc import Callable
from pathlib import Path

import pytest

from choreo.cli import main, stop
from choreo.cli.stop import Teller, collecting_nothing, holding_on
from choreo.errors import Exit
from choreo.journal import read_journal
from choreo.running import announced
from link.waiting import LONG_S
from live.bench import SerialBench
from service.test_stop import Start, start

__all__ = ["start"]  # the fixture

GANTRY = Path(__file__).parents[2] / "recipes" / "kiln_gantry"


@pytest.fixture(autouse=True)
def alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    monkeypatch.chdir(tmp_path)


@pytest.mark.parametrize(
    ("words", "exit", "said"),
    [
        ([], Exit.REFUSED, "RECIPE"),
        (["nowhere.yaml", "--bus", "x:y"], Exit.REFUSED, "nowhere.yaml cannot be read"),
        (["{gantry}/machine.yaml"], Exit.REFUSED, "no process of choreo's has kiln-shelf gantry now"),
        (["{gantry}/machine.yaml", "--bus", "can0"], Exit.REFUSED, "does not name an interface and a channel"),
        (["{gantry}/machine.yaml", "--bus", "carrier:pigeon"], Exit.REFUSED, "no interface named 'carrier'"),
        (["{gantry}/machine.yaml", "--bus", "slcan:/dev/none-such"], Exit.LINK, "NOTHING WAS SENT"),
        (["{gantry}/machine.yaml", "--bus", "slcan:/dev/none-such"], Exit.LINK, "emergency stop"),
        (["{gantry}/machine.yaml", "--bus", "slcan:/dev/null", "--bus-option", "x"], Exit.REFUSED, "'x' should be"),
    ],
)
def test_wrong_input_is_said_and_nothing_is_left(
    words: list[str], exit: Exit, said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["stop", *(word.replace("{gantry}", str(GANTRY)) for word in words)]) == exit
    assert said in capsys.readouterr().err


def test_a_file_that_names_no_machine_says_what_will_do(capsys: pytest.CaptureFixture[str]) -> None:
    Path("half.yaml").write_text("choreo: 1\ntitle: half\nsteps: [")
    with announced("kiln-shelf gantry", "x:y", Path()):
        assert main(["stop", "half.yaml", "--bus", "x:y"]) == Exit.REFUSED
    out, err = capsys.readouterr()
    assert "half.yaml" in err
    assert "NOTHING WAS SENT" in out
    assert "The machine file alone will do" in out
    assert f"`kill {os.getpid()}` asks it to stop its machine" in out


def test_a_process_that_has_the_machine_stops_it(start: Start, capsys: pytest.CaptureFixture[str]) -> None:
    running = start("stops")
    recipe = Path("machine.yaml")
    text = (GANTRY / "machine.yaml").read_text(encoding="utf-8")
    recipe.write_text(text.replace("name: kiln-shelf gantry", f"name: {running.machine}"), encoding="utf-8")
    assert main(["stop", str(recipe)]) == Exit.DONE
    out = capsys.readouterr().out.splitlines()
    assert out[-1] == "Every axis has come to rest."
    assert any(line.startswith("beam has come to rest at 12.500 mm") for line in out)


def test_the_process_itself_over_a_real_line(tmp_path: Path) -> None:
    """Nobody answers here, and somebody presses Ctrl-C; every node is told to stop all the same."""
    bench = SerialBench()
    with bench.running():
        process = subprocess.Popen(
            [
                *(sys.executable, "-m", "choreo", "stop", str(GANTRY / "home_and_test.yaml")),
                *("--bus", f"slcan:{bench.adapter.port}", "--out", "mine"),
            ],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        try:
            bench.hears(5)
            first = [frame for _, frame in bench.heard[:5]]
            for _ in range(3):
                process.send_signal(signal.SIGINT)
            out, err = process.communicate(timeout=2 * LONG_S)
        finally:
            process.kill()
            process.wait()
            bench.adapter.close()
    assert [frame[:2] for frame in first] == [
        (0x020, b"\x61"),
        *((0x020 + node, b"\x61") for node in (11, 12, 13, 14)),
    ]
    assert (process.returncode, err) == (Exit.LINK, "")
    assert "No node answers: power or bus lost" in out
    assert out.count("is NOT PROVEN AT REST") == 4
    assert "SIGINT: the stop goes on to its end." in out
    assert read_journal(tmp_path / "mine" / "journal.jsonl").complete


def test_a_first_ctrl_c_gives_nothing_up_and_other_signals_never() -> None:
    said: list[str] = []
    with holding_on(said.append):
        for name in ("SIGHUP", "SIGTERM", "SIGTSTP", "SIGINT"):
            signal.raise_signal(getattr(signal, name))
        assert len(said) == 1
        with pytest.raises(KeyboardInterrupt):
            signal.raise_signal(signal.SIGINT)
    assert signal.getsignal(signal.SIGINT) is signal.default_int_handler


class Stuck:
    """A terminal that takes nothing (Ctrl-S)."""

    def __init__(self) -> None:
        self.go_on = threading.Event()
        self.shown: list[str] = []

    def write(self, text: str) -> int:
        """Waits."""
        assert self.go_on.wait(LONG_S)
        self.shown.append(text)
        return len(text)

    def flush(self) -> None:
        """Nothing to do."""

    def fileno(self) -> int:
        """It has none."""
        raise OSError


def test_a_terminal_that_takes_nothing_keeps_nobody_waiting(monkeypatch: pytest.MonkeyPatch) -> None:
    stuck = Stuck()
    monkeypatch.setattr(sys, "stdout", stuck)
    monkeypatch.setattr(stop, "SHOWING_S", 0.0)
    with Teller() as teller:
        for number in range(100):
            teller.say(f"line {number}")
    assert stuck.shown == []
    stuck.go_on.set()
    teller._thread.join(LONG_S)
    assert "".join(stuck.shown).splitlines() == [f"line {number}" for number in range(100)]


def test_a_reader_that_is_gone_is_no_matter(monkeypatch: pytest.MonkeyPatch) -> None:
    def gone(text: str) -> int:
        raise BrokenPipeError

    stuck = Stuck()
    monkeypatch.setattr(stuck, "write", gone)
    monkeypatch.setattr(sys, "stdout", stuck)
    with Teller() as teller:
        teller.say("one")
        teller.say("two")
    assert not teller._thread.is_alive()


@pytest.mark.parametrize("way", [gc.enable, gc.disable])
def test_garbage_is_collected_again_afterwards(way: Callable[[], None]) -> None:
    try:
        way()
        before = gc.isenabled()
        with collecting_nothing():
            assert not gc.isenabled()
        assert gc.isenabled() is before
    finally:
        gc.enable()


def test_the_help_says_which_ramp_and_what_it_is_no_substitute_for(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["stop", "--help"]) == 0
    out = capsys.readouterr().out
    assert "controlled ramp" in out
    assert "emergency stop" in out
    assert "Ctrl-C never cuts the stop short" in out
