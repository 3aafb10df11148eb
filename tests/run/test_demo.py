"""
The demonstration, whole: it ends well, within the times that were calculated by hand (practice.md, the demo machine).
"""

from fractions import Fraction
from functools import cache

import pytest

from choreo.errors import Exit
from tests.run.machine import DEMO, Done, Rehearsal

S = 1_000_000_000


@cache
def whole() -> Done:
    return Rehearsal(DEMO).go()


def taken_s(verb: str, label: str = "") -> list[float]:
    """What each step of a verb took, in the order of the run."""
    steps = {step.id: step for step in (*whole().plan.steps, *whole().plan.closing)}
    ends = whole().records("step_end")
    chosen = [record for record in ends if steps[record["step"]].verb == verb]
    return [record["taken_ns"] / S for record in chosen if label in steps[record["step"]].label]


def test_it_is_done():
    assert whole().outcome.exit is Exit.DONE, whole().outcome.headline
    assert not whole().records("finding")
    assert not whole().records("lost")
    assert not whole().link.machine.damage


def test_homing_takes_no_longer_than_calculated():
    """practice.md: the lift from 350 in 10.8 s, the carriage from 400 in 8.5 s, the beam from 500 in 13.3 s."""
    first_three = taken_s("home")[:3]
    assert all(taken <= by_hand for taken, by_hand in zip(first_three, (10.8, 8.5, 13.3), strict=True)), first_three


def test_a_cycle_takes_no_longer_than_calculated():
    """practice.md: 6.2 s a cycle; beam +600 is 2.8125 s and settles in 0.17 s."""
    plan = whole().plan
    ends = {record["step"]: record["t"] for record in whole().records("step_end")}
    begins = {record["step"]: record["t"] for record in whole().records("step_begin")}
    of_cycle = [step.id for step in plan.steps if step.path.startswith("12.")]
    assert len(of_cycle) == 25
    for first in range(0, 25, 5):
        assert (ends[of_cycle[first + 4]] - begins[of_cycle[first]]) / S <= 6.2
    assert all(2.8125 <= taken <= 2.8125 + 0.17 for taken in taken_s("wait_for_position"))


def test_the_lift_takes_no_longer_than_calculated():
    """practice.md: 3.73 s each way between 640 and 240, and the time to settle."""
    for label in ("Lift down", "Lift up"):
        (taken,) = taken_s("move", label)
        assert 3.73 - 0.005 <= taken <= 3.73 + 0.17


def test_the_beam_is_squared_by_what_the_switches_say():
    """The right switch lies 1.1 mm nearer; both sides end beside each other (practice.md P19 and the demo machine)."""
    homed = {record["axis"]: record for record in whole().records("homed")[:4]}
    assert homed["beam_left"]["edge"] == -8.0
    assert homed["beam_right"]["edge"] == -6.9
    assert abs(homed["beam_left"]["skew"]) < 0.05
    assert abs(whole().link.machine.skew("beam")) < 0.1  # by the machine's truth


def test_every_axis_ends_where_the_recipe_parks_it():
    machine = whole().link.machine
    for axis, park in (("beam_left", 100), ("beam_right", 100), ("carriage", 650), ("lift", 640)):
        assert machine.position(axis) == pytest.approx(park, abs=0.1)
    assert not any(drive.servo.enabled for drive in machine.drives.values())


def test_another_seed_has_other_noise_and_the_same_outcome():
    other = Rehearsal(DEMO, seed=11).go()
    assert other.outcome.exit is Exit.DONE, other.outcome.headline
    assert other.journal != whole().journal


def test_a_fifth_of_the_pace_takes_longer_and_ends_well():
    slow = Rehearsal(DEMO, pace=Fraction(1, 5)).go()
    assert slow.outcome.exit is Exit.DONE, slow.outcome.headline
    assert slow.outcome.taken_ns > 2 * whole().outcome.taken_ns
