"""The view on a terminal: what it shows, and how seldom it draws."""

import io
import json
from pathlib import Path

import pytest
from rich.console import Console

from choreo.cli.drawn import LOOK_EVERY, REDRAW_S, DrawnRun, bar, picture, rail
from choreo.cli.progress import Progress
from choreo.cli.screen.axes import AxisView
from choreo.cli.terminal import USUAL_WIDTH, can_redraw, width

GOLDEN = Path(__file__).parents[1] / "golden" / "journal_v1.jsonl"


def fed(until):
    """Progress after the golden journal's lines up to (not with) the first that holds a text."""
    progress = Progress()
    for line in GOLDEN.read_text().splitlines():
        if until in line:
            break
        value = json.loads(line)
        if isinstance(value, list):
            progress.sample(*value[1:])
        else:
            progress.record(value.pop("k"), value.pop("t"), value)
    return progress


def shown(progress, cells=100):
    out = io.StringIO()
    Console(file=out, width=cells, color_system=None).print(picture(progress))
    return out.getvalue().splitlines()


def test_before_anything_moves_every_axis_is_there():
    progress = fed('"step_begin"')
    title, where, *axes = shown(progress)
    assert title.strip() == "dry-run of Move the test shelf on test shelf, seed 7, pace 0.5: 4 steps, 6.9 s predicted"
    assert "0%  0 of 4 steps done" in where
    assert [row.split()[0] for row in axes] == ["near", "far", "tilt"]
    assert all("not homed" in row for row in axes)


def test_in_a_move_position_target_and_place_are_shown():
    progress = fed('"k":"onset"')
    _, where, near, *_ = shown(progress)
    # 3277 counts at 8192/3 counts per mm are 1.200 mm; the target is 273067 counts, 100.000 mm
    assert near.split()[:6] == ["near", "1.200", "mm", "to", "100.000", "[#-----------------------]"]
    assert near.rstrip().endswith("moving")
    # steps 1 and 2 of 0.9 s and 4 s are done, and 0.17 s of the third: 5.07 of 6.91 s
    assert "73%  step 3 of 4: 3 move  0.2 of 2.0 s" in where


def test_a_stop_takes_the_place_of_the_progress_and_says_how_each_axis_ended():
    progress = fed('"k":"end"')
    _, where, near, far, tilt = shown(progress)
    assert "stopping: far has left 3 requests" in where
    assert near.rstrip().endswith("at rest")
    assert far.rstrip().endswith("NOT PROVEN")
    assert tilt.rstrip().endswith("stopping")


def test_a_narrow_terminal_never_gets_a_longer_line():
    for cells in (10, 30, 60):
        assert all(len(line) <= cells for line in shown(fed('"k":"onset"'), cells))


@pytest.mark.parametrize(
    ("share", "drawn"), [(0, "[" + "." * 20 + "]"), (0.5, "[##########..........]"), (1, "[" + "#" * 20 + "]")]
)
def test_the_bar_is_full_at_the_end_only(share, drawn):
    assert bar(share) == drawn


def test_the_rail_shows_the_place_within_the_travel():
    axis = AxisView("lift", "mm", 10.0, 0.0, 100.0, zero=0, homed=True)
    ends = []
    for counts in (-50, 0, 1000, 2000):
        axis.readings.append((0, 0, counts))
        ends.append(rail(axis).index("#"))
    assert ends == [1, 1, 24, 24]
    axis.homed = False
    assert rail(axis) == "not homed"


class Clock:
    now = 0.0

    def __call__(self):
        self.looked += 1
        return self.now

    looked = 0


def test_it_draws_at_most_every_100_ms_and_looks_at_the_clock_every_few_hundred_readings():
    clock, out = Clock(), io.StringIO()
    view = DrawnRun(out, lambda: None, clock=clock)
    lines = GOLDEN.read_text().splitlines()
    head = json.loads(lines[0])
    with view:
        view.record(head.pop("k"), head.pop("t"), head)
        looked, drawn = clock.looked, len(out.getvalue())
        for number in range(10 * LOOK_EVERY):
            view.sample(number, 0, number, 1)
        assert clock.looked == looked + 10
        assert len(out.getvalue()) == drawn  # no time has passed
        clock.now += REDRAW_S
        for number in range(LOOK_EVERY):
            view.sample(number, 0, number, 1)
        assert len(out.getvalue()) >= drawn


class Gone(io.StringIO):
    def write(self, text):
        raise OSError("the terminal is gone")

    def isatty(self):
        return True


def test_a_terminal_that_goes_away_is_said_once_and_breaks_nothing():
    gone = []
    view = DrawnRun(Gone(), lambda: gone.append(1))
    head = json.loads(GOLDEN.read_text().splitlines()[0])
    kind, t_ns = head.pop("k"), head.pop("t")
    view.record(kind, t_ns, head)
    view.record("stopping", 5, {"cause": "x"})
    view.__exit__(None, None, None)
    assert gone == [1]


class Terminal(io.StringIO):
    def isatty(self):
        return True


@pytest.mark.parametrize(
    ("stream", "environment", "can"),
    [
        (Terminal(), {"TERM": "xterm"}, True),
        (Terminal(), {"TERM": "dumb"}, False),
        (Terminal(), {}, False),
        (io.StringIO(), {"TERM": "xterm"}, False),
    ],
)
def test_only_a_terminal_is_drawn_over(stream, environment, can):
    assert can_redraw(stream, environment) is can


def test_the_width_is_the_terminals_and_COLUMNS_overrides(monkeypatch):
    monkeypatch.delenv("COLUMNS", raising=False)
    assert width(io.StringIO()) == USUAL_WIDTH
    monkeypatch.setenv("COLUMNS", "57")
    assert width(io.StringIO()) == 57
    assert width(Terminal()) == 57
