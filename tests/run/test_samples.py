"""The sample machines beside the demonstration: each recipe that ships ends well, and nothing on its machine breaks."""

from functools import cache
from pathlib import Path

import pytest

from choreo.api import check
from choreo.diagnostic import Level
from choreo.errors import Exit
from tests.run.machine import Done, Rehearsal

RECIPES = Path(__file__).parents[2] / "recipes"
LOUVRE, WALL = RECIPES / "louvre_row" / "daily_turn.yaml", RECIPES / "test_wall" / "shapes.yaml"
INDEX = RECIPES / "index_table" / "index_and_probe.yaml"


@cache
def done(recipe: Path) -> Done:
    return Rehearsal(recipe).go()


@pytest.mark.parametrize("recipe", [LOUVRE, WALL, INDEX], ids=lambda path: path.stem)
def test_a_sample_is_done_and_breaks_nothing(recipe):
    assert [finding for finding in check(recipe).findings if finding.level is not Level.NOTE] == []
    assert done(recipe).outcome.exit is Exit.DONE, done(recipe).outcome.headline
    assert not done(recipe).records("finding")
    assert not done(recipe).records("lost")
    assert not done(recipe).link.machine.damage
    assert not any(drive.servo.enabled for drive in done(recipe).link.machine.drives.values())


def test_twelve_blades_start_on_one_frame_and_end_closed():
    machine = done(LOUVRE).link.machine
    assert all(machine.position(f"blade_{number}") == pytest.approx(1, abs=0.05) for number in range(1, 13))
    together = [record for record in done(LOUVRE).records("trigger") if len(record["axes"]) == 12]
    assert len(together) == 1 + 2 + 4  # the first move, to open and to the angle, four steps after the sun


def test_sixty_plungers_of_a_dialect_without_speed_in_its_loads_make_a_wave():
    """Sixty different ways, one start; the trapezoid profile and the speed setting of their own dialect."""
    (wave,) = [step for step in done(WALL).plan.steps if step.label == "Wave"]
    (group,) = wave.action.groups
    assert len(group) == 60
    durations = [move.duration_ns for move in group if move.duration_ns]
    assert max(durations) - min(durations) < 20_000_000  # all arrive together, as far as raw speeds allow
    machine = done(WALL).link.machine
    assert all(machine.position(axis) == pytest.approx(10, abs=0.02) for axis in machine.axes)


def test_a_probe_finds_the_part_where_it_truly_is():
    """82.3 mm by the machine's truth; the reading may be as much later as the record says, and as the lag makes it."""
    found = done(INDEX).records("until")
    assert len(found) == 4
    for record in found:
        assert record["seen"] + 0.01 >= 82.3
        assert record["seen"] - record["give"] <= 82.3 + 0.01
