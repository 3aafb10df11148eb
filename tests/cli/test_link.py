"""
`choreo link`: what is refused before a bus is opened, and whole link checks over python-can's serial driver.

The machine behind the pseudo-terminal is simulated in real time on the same computer: a reply may take as long as it
likes (`adapter` in the recipe), so that no outcome hangs on how the cores are shared.
"""

import json
import os
import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from io import StringIO
from pathlib import Path

import pytest

from choreo.api import machine_plan, simulation_request
from choreo.cli import main
from choreo.cli.arguments import duration
from choreo.cli.link import Shown, progress_line
from choreo.service import link_check
from choreo.service.link_check import Progress
from choreo_sim.machine import build
from live.bench import SerialBench

SLIDES = Path(__file__).parents[1] / "live" / "two_slides.yaml"
SECOND = 1_000_000_000


@pytest.fixture(autouse=True)
def alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Other processes of this user have machines of their own."""
    own = tmp_path / "runtime"
    own.mkdir(mode=0o700)
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(own))
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "110")


@pytest.fixture
def slides(tmp_path: Path) -> Path:
    path = tmp_path / "slides.yaml"
    path.write_text(SLIDES.read_text(encoding="utf-8").replace("poll: 50 Hz}", "poll: 50 Hz, adapter: 10 s}"))
    return path


@contextmanager
def served(recipe: Path, on_request: Callable[[SerialBench, int], None] = lambda bench, many: None) -> Iterator[str]:
    """The machine of a recipe behind a serial adapter; its `--bus` argument. `on_request` hears the host send."""
    plan = machine_plan(recipe)
    bench = SerialBench(plan.bit_rate)
    build(bench.kernel, bench.bus, simulation_request(plan))
    sent = []

    def tap(frame, t_ns, sender):
        if sender == "host":
            sent.append(frame)
            on_request(bench, len(sent))

    bench.bus.taps.append(tap)
    with bench.running():
        try:
            yield f"slcan:{bench.adapter.port}"
        finally:
            bench.adapter.close()


def test_a_good_link_over_the_line(slides: Path, capsys):
    with served(slides) as bus:
        code = main(["link", str(slides), "--bus", bus, "--exchanges", "60", "--every", "5ms"])
    out, err = capsys.readouterr()
    lines = out.splitlines()
    assert code == 0, out
    assert lines[0] == f"Two slides, once there on {bus} at 500 kbit/s: the link is good"
    assert "Both nodes answered each of their 60 exchanges: with 95 % certainty no more than 4.9 % get lost." in out
    assert [line.split()[:4] for line in lines if line.startswith(("near_slide", "far_slide"))] == [
        ["near_slide", "3", "60", "0"],
        ["far_slide", "9", "60", "0"],
    ]
    assert "other node numbers: 29 asked, none answered" in out
    assert "nobody else was heard" in out
    assert err == ""


def test_ctrl_c_ends_a_soak_with_what_was_measured(slides: Path, capsys):
    def on_request(bench: SerialBench, many: int) -> None:
        if many == 400:
            os.kill(os.getpid(), signal.SIGINT)

    with served(slides, on_request) as bus:
        code = main(["link", str(slides), "--bus", bus, "--for", "10min", "--every", "5ms", "--format", "json"])
    told = json.loads(capsys.readouterr().out)
    assert code == 0, told
    assert told["ended"] == "ended by the operator: SIGINT"
    assert all(node["exchanges"] > 50 and node["sound"] for node in told["nodes"])
    assert told["verdict"]["headline"] == "the link is good"
    assert told["every_ns"] == 5_000_000


def test_ctrl_c_before_anything_was_measured(slides: Path, capsys, monkeypatch: pytest.MonkeyPatch):
    usual = link_check.LinkCheck.whole

    async def whole(self):
        os.kill(os.getpid(), signal.SIGINT)  # while it only listens
        return await usual(self)

    monkeypatch.setattr(link_check.LinkCheck, "whole", whole)
    with served(slides, lambda bench, many: pytest.fail("something was sent")) as bus:
        code = main(["link", str(slides), "--bus", bus])
    out = capsys.readouterr().out
    assert code == 130
    assert out.splitlines()[0].endswith(": nothing was measured")
    assert "Ended by the operator: SIGINT." in out


def test_an_adapter_that_is_unplugged(slides: Path, capsys):
    def on_request(bench: SerialBench, many: int) -> None:
        if many == 300:
            bench.adapter.close()

    with served(slides, on_request) as bus:
        code = main(["link", str(slides), "--bus", bus, "--every", "5ms"])
    out, err = capsys.readouterr()
    assert code == 4
    assert out.splitlines()[0].endswith(": the link is bad")
    assert "The adapter is lost:" in out
    assert "Look at the adapter's plug" in out
    assert "Traceback" not in out + err


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["--bus", "slcan:/dev/ttyNOT_THERE"], "/dev/ttyNOT_THERE"),
        (["--bus", "nocan:0"], "python-can has no interface named 'nocan'"),
        (["--bus", "can0"], "can0"),
        (["--bus", "virtual:x", "--for", "30000min", "--every", "1ms"], "should lie between 1 ms and 7 days"),
        (["--bus", "virtual:x", "--for", "144 h", "--every", "1ms"], "10000000 are possible"),
        (["--bus", "virtual:x", "--for", "10"], "'10' has no unit"),
        (["--bus", "virtual:x", "--for", "10 mm"], "should be a time"),
        (["--bus", "virtual:x", "--for", "0s"], "should be a time above zero"),
        (["--bus", "virtual:x", "--every=-3ms"], "should be a time above zero"),
        (["--bus", "virtual:x", "--exchanges", "0"], "should be a whole number above 0"),
        (["--bus", "virtual:x", "--exchanges", "10", "--for", "1min"], "not allowed with"),
        ([], "--bus"),
    ],
)
def test_what_is_refused(slides: Path, words: list[str], says: str, capsys):
    try:
        code = main(["link", str(slides), *words])
    except SystemExit as end:
        code = end.code
    out, err = capsys.readouterr()
    assert code in (2, 4)
    assert (code == 4) is ("NOT_THERE" in says)
    assert says in err
    assert "Traceback" not in out + err


def test_a_recipe_whose_steps_are_wrong_still_has_a_link(tmp_path: Path, capsys):
    recipe = tmp_path / "wrong.yaml"
    recipe.write_text(SLIDES.read_text(encoding="utf-8").replace("- trigger: all", "- trigger: nobody"))
    code = main(["link", str(recipe), "--bus", "nocan:0"])
    assert code == 2
    assert "no interface named 'nocan'" in capsys.readouterr().err


def test_a_machine_that_is_wrong(tmp_path: Path, capsys):
    recipe = tmp_path / "wrong.yaml"
    recipe.write_text(SLIDES.read_text(encoding="utf-8").replace("node: 3", "node: 77"))
    assert main(["link", str(recipe), "--bus", "virtual:x"]) == 2
    assert "77" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("text", "ns"), [("20ms", 20_000_000), ("10min", 600 * SECOND), ("0.5 s", SECOND // 2), ("2 h", 7200 * SECOND)]
)
def test_durations(text: str, ns: int):
    assert duration(text) == ns


def test_the_progress_line():
    soak = Progress(83 * SECOND, 600 * SECOND, 332, None, 1, 2, 1_840_000, 0.0613)
    assert progress_line(soak) == ("1:23 of 10:00, 332 exchanges, 1 lost, 2 wrong, longest 1.8 ms, load at most 6.1 %")
    counted = Progress(3_700 * SECOND, None, 500, 1200, 0, 0, 0, 0.0)
    assert progress_line(counted).startswith("1:01:40, 500 of 1200 exchanges")


class Terminal(StringIO):
    def isatty(self) -> bool:
        return True


def test_on_a_terminal_the_progress_is_drawn_over_and_leaves_nothing(monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setattr("sys.stderr", terminal := Terminal())
    shown = Shown()
    for second in (1, 2):
        shown.progress(Progress(second * SECOND, None, 4 * second, 12, 0, 0, 0, 0.0))
    shown.clear()
    written = terminal.getvalue()
    assert written.startswith("\r0:01, 4 of 12 exchanges")
    assert "\r0:02, 8 of 12 exchanges" in written
    assert "\n" not in written
    assert written.endswith(" \r")


def test_elsewhere_it_is_a_line_a_minute(monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr("sys.stderr", stream := StringIO())
    shown = Shown()
    for second in range(1, 150):
        shown.progress(Progress(second * SECOND, None, second, None, 0, 0, 0, 0.0))
    shown.clear()
    assert [line.split(",")[0] for line in stream.getvalue().splitlines()] == ["1:00", "2:00"]
