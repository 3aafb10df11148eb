"""
A drive whose loads carry no speed takes it from a setting: a move's own speed is set back when the move is over,
however it ends (practice.md P25, common practice, no source: what was set for a run is set back at its end).
"""

import json
from io import StringIO

import pytest

from choreo.api import check, simulation_request
from choreo.errors import Exit
from choreo.journal.writer import JournalWriter
from choreo.link.port import Interrupt
from choreo.link.simulated import open_simulated
from choreo.run.executor import execute
from choreo.wire.described import shipped_file
from run.machine import GANTRY

MS = 1_000_000
HEAD = """\
choreo: 1
title: Speeds that are settings
machine: machine.yaml
steps:
  - configure: {carriage: {speed: 60 mm/s, acceleration: 1500 mm/s^2, jerk: 15000 mm/s^3, quick_stop: 4000 mm/s^2}}
  - enable: carriage
"""
CLOSING = "closing:\n  - disable: all\n"
#: 8192/3 counts a millimetre; one raw unit of a speed is 1024 counts a second (short_frame.yaml): 60 mm/s is raw 160.
CONFIGURED, SLOW = 160, 80


class Rehearsal:
    """The gantry without home, its dialect without a speed in its loads."""

    def __init__(self, folder, body):
        text = (
            shipped_file("short_frame").read_text(encoding="utf-8").replace("name: short_frame", "name: setting_speed")
        )
        without = text.replace("{target: signed 32}, {speed: unsigned 16}]}", "{target: signed 32}]}")
        assert without.count("{speed: unsigned 16}") == 0
        (folder / "setting_speed.yaml").write_text(without, encoding="utf-8")
        machine = (GANTRY / "machine.yaml").read_text(encoding="utf-8")
        machine = machine.replace("dialect: short_frame", "dialect: ./setting_speed.yaml")
        machine = machine.replace("simulated: kiln_gantry", "").replace("homing_order: [lift, carriage, beam]\n", "")
        machine = machine.replace("search: 80 mm/s", "search: 50 mm/s")  # below the ceiling that is configured
        (folder / "machine.yaml").write_text(machine, encoding="utf-8")
        recipe = folder / "recipe.yaml"
        recipe.write_text(HEAD + body + CLOSING, encoding="utf-8")
        checked = check(recipe)
        assert checked.plan is not None, [found.headline for found in checked.findings]
        self.plan = checked.plan
        self.link = open_simulated(simulation_request(self.plan))
        self.servo = self.link.machine.drives["carriage"].servo
        self.speeds = []
        self._watch()

    def _watch(self):
        """Every change of the setting, as the drive has it."""
        taken = self.servo.set

        def put(name, raw):
            if name == "speed":
                self.speeds.append(raw)
            taken(name, raw)

        self.servo.set = put

    def go(self):
        text = StringIO()
        self.outcome = execute(self.plan, self.link, JournalWriter(None, text))
        lines = [json.loads(line) for line in text.getvalue().splitlines() if line.startswith("{")]
        self.records = [record for record in lines if record["k"] == "move"]
        return self


@pytest.fixture
def rehearse(tmp_path):
    return lambda body: Rehearsal(tmp_path, body)


def test_the_next_move_has_its_configured_speed_again(rehearse):
    done = rehearse("  - move: {carriage: {by: 10 mm}}\n    speed: 30 mm/s\n  - move: {carriage: {by: -10 mm}}\n").go()
    assert done.outcome.exit is Exit.DONE
    assert [record["speed"] for record in done.records] == [30, 60]
    assert done.speeds == [CONFIGURED, SLOW, CONFIGURED]


def test_it_is_set_back_when_the_wait_is_over(rehearse):
    """Not before the trigger: the drive takes the speed when it sets off."""
    body = (
        "  - preload: {carriage: {by: 10 mm}}\n    speed: 30 mm/s\n  - trigger: carriage\n"
        "  - wait_for_position: {axes: carriage, within: 0.1 mm, for: 60 ms}\n  - dwell: 1 s\n"
    )
    done = rehearse(body).go()
    assert done.outcome.exit is Exit.DONE
    assert done.speeds == [CONFIGURED, SLOW, CONFIGURED]


def test_without_a_wait_it_is_set_back_at_the_end(rehearse):
    done = rehearse(
        "  - preload: {carriage: {by: 10 mm}}\n    speed: 30 mm/s\n  - trigger: carriage\n  - dwell: 1 s\n"
    ).go()
    assert done.outcome.exit is Exit.DONE
    assert done.servo.settings["speed"] == CONFIGURED


def test_a_stop_sets_it_back_too(rehearse):
    """In the middle of the move; the drive stands by then."""
    made = rehearse("  - move: {carriage: {by: 26 mm}}\n    speed: 30 mm/s\n")
    made.link.kernel.at(700 * MS, lambda _: made.link.post(Interrupt("Ctrl-C")), None)
    done = made.go()
    assert done.outcome.exit is Exit.OPERATOR
    assert done.speeds == [CONFIGURED, SLOW, CONFIGURED]


def test_homing_leaves_the_speed_as_it_was(rehearse):
    """Search and crawl are speeds of moves like any other (50 and 5 mm/s: raw 133 and 13, rounded down)."""
    done = rehearse("  - home: carriage\n").go()
    assert done.outcome.exit is Exit.DONE
    assert set(done.speeds) == {CONFIGURED, 133, 13}
    assert done.servo.settings["speed"] == CONFIGURED


def test_what_is_configured_after_a_move_stays(rehearse):
    """The speed of the move was set back when it had arrived; 45 mm/s are 120 raw units of 1024 counts/s."""
    body = (
        "  - move: {carriage: {by: 10 mm}}\n    speed: 30 mm/s\n"
        "  - configure: {carriage: {speed: 45 mm/s}}\n  - dwell: 100 ms\n"
    )
    done = rehearse(body).go()
    assert done.outcome.exit is Exit.DONE
    assert done.servo.settings["speed"] == 120


def test_a_dialect_whose_loads_carry_their_speed_is_left_alone(rehearse, tmp_path):
    made = rehearse("  - move: {carriage: {by: 10 mm}}\n    speed: 30 mm/s\n")
    text = shipped_file("short_frame").read_text(encoding="utf-8").replace("name: short_frame", "name: setting_speed")
    (tmp_path / "setting_speed.yaml").write_text(text, encoding="utf-8")
    checked = check(tmp_path / "recipe.yaml")
    made.plan = checked.plan
    made.link = open_simulated(simulation_request(checked.plan))
    made.servo, made.speeds = made.link.machine.drives["carriage"].servo, []
    made._watch()
    assert made.go().outcome.exit is Exit.DONE
    assert made.speeds == [CONFIGURED]
