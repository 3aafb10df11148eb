"""Drives that begin as an earlier run left them, from the device's side: what they tell, where the axes truly are."""

from fractions import Fraction

import pytest

from choreo.link.port import SimulatedLeft, SimulationRequest
from choreo_sim.link import open_simulated

REQUEST = {"machine": "kiln_gantry", "axes": (), "bit_rate": 500_000}


def machine(*left):
    link = open_simulated(SimulationRequest(**REQUEST, left=left))
    link.kernel.run_until(1_000_000_000, [], [])
    return link.machine


def told(drive):
    return drive.servo.reading(1_000_000_000)


def test_a_homed_drive_is_where_its_counts_say():
    """8192/3 counts a millimetre (practice.md, the demo machine): 819,200 counts are 300 mm."""
    made = machine(SimulatedLeft(13, 819_200, homed=True, powered=False))
    assert made.position("carriage") == pytest.approx(300, abs=1e-6)
    assert told(made.drives["carriage"]) == pytest.approx(819_200, abs=1)
    assert made.drives["carriage"].servo.homed


def test_the_side_that_counts_the_other_way_round():
    """4915.2 counts a millimetre, inverted: 100 mm are -491,520 counts."""
    made = machine(SimulatedLeft(12, -491_520, homed=True, powered=True))
    assert made.position("beam_right") == pytest.approx(100, abs=1e-6)
    assert told(made.drives["beam_right"]) == pytest.approx(-491_520, abs=1)


def test_a_drive_without_home_counts_from_its_power_up():
    """kiln_gantry.yaml: the carriage starts at 400 mm with 90,017 counts."""
    moved = 90_017 + round(Fraction(8192, 3) * 50)
    made = machine(SimulatedLeft(13, moved, homed=False, powered=True))
    assert made.position("carriage") == pytest.approx(450, abs=1e-3)
    assert told(made.drives["carriage"]) == pytest.approx(moved, abs=1)
    assert not made.drives["carriage"].servo.homed


def test_counts_of_another_machine_leave_the_axis_where_it_starts():
    made = machine(SimulatedLeft(13, 50_000_000, homed=False, powered=False))
    assert made.position("carriage") == pytest.approx(400)
    assert told(made.drives["carriage"]) == pytest.approx(50_000_000, abs=1)


@pytest.mark.parametrize("powered", [True, False])
def test_the_lift_is_held_by_its_drive_or_by_its_brake(powered):
    """practice.md P15 (common practice, no source): it does not fall in either."""
    made = machine(SimulatedLeft(14, 3_276_800, homed=True, powered=powered))
    lift = made.drives["lift"]
    assert (lift.servo.enabled, lift.mechanics.braked) == (powered, not powered)
    assert made.position("lift") == pytest.approx(500, abs=1e-6)


def test_a_fault_stands_until_it_is_reset():
    assert machine(SimulatedLeft(13, 0, homed=True, powered=False, fault=3)).drives["carriage"].servo.fault == 3


def test_what_is_not_named_begins_as_always():
    made = machine(SimulatedLeft(13, 0, homed=True, powered=False))
    assert made.position("lift") == pytest.approx(350)
    assert not made.drives["lift"].servo.homed
