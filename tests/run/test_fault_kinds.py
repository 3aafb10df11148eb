"""
Every fault file of the gantry that ends a run: exit code, rule, axis, step, what is left unproven, whose home is lost,
what may be done next, and that the machine stops.

What a fault must lead to is the trade's practice (practice.md, common practice, no source), by the number beside it.
"""

from typing import NamedTuple

import pytest

from choreo.errors import Exit
from tests.run.machine import GANTRY, Done, Rehearsal, assert_ended_safely

ALL = ("beam_left", "beam_right", "carriage", "lift")
FOUND, LINK = Exit.STOPPED, Exit.LINK
#: Of each axis before the first homing.
BEFORE_HOME = ALL


class Case(NamedTuple):
    file: str
    rule: str
    axis: str | None
    step: str  # the beginning of its path
    exit: Exit = FOUND
    unproven: tuple[str, ...] = ()
    homeless: tuple[str, ...] = ()
    next: str = "Find the cause before the next run."  # of the axis, or of the first


CLEAR = "Stay clear."
HOME_IT = "home it before the next move"

CASES = [
    # frames and the bus
    Case("trigger_stuck", "trigger-unconfirmed", None, "12.2"),  # P7
    Case("trigger_stuck_long", "trigger-unconfirmed", None, "12.2", FOUND, ALL, ALL, CLEAR),  # P7
    Case("bus_dead", "bus-lost", None, "12.3", LINK, ALL, ALL, CLEAR),  # P14; facts.md A10: 256 / 8 errors to bus off
    Case("bus_off_drive", "node-silent", "carriage", "12.3", FOUND, ("carriage",), ("carriage",), CLEAR),  # P14
    Case("bus_off_host", "bus-lost", None, "12.3", LINK, ALL, ALL, CLEAR),  # P14
    Case("nodes_lost", "bus-lost", None, "12.3", LINK, ALL, ALL, CLEAR),  # P14
    Case("forged_reply", "position-jump", "carriage", "12.3", FOUND, (), ("carriage",), HOME_IT),  # P17
    Case("forged_reply_unasked", "contradiction", "carriage", "12.3"),  # P36
    Case("forged_event", "drive-reset", "carriage", "12.3", FOUND, (), ("carriage",), HOME_IT),  # P17
    Case("foreign_command", "foreign-command", "carriage", "12.4"),  # P18
    Case("foreign_start", "foreign-command", None, "12.2"),  # P3
    Case("foreign_stop", "foreign-stop", None, "12.3"),  # P18
    # motion
    Case("moves_unasked", "standstill", "carriage", "12.4"),  # P18, seen where no frame tells of it
    Case("runaway", "tracking-deviation", "carriage", "12.3"),  # P14
    Case("wrong_direction", "wrong-direction", "carriage", "6", FOUND, (), BEFORE_HOME, HOME_IT),  # P4
    Case("load_doubled", "tracking-deviation", "carriage", "12.3"),  # P6
    Case("load_slow", "tracking-deviation", "carriage", "12.3"),  # P8
    Case("load_appears", "load-stale", "lift", "12.2"),  # P3
    Case("drive_fault", "drive-fault", "lift", "13", FOUND, (), ("lift",), HOME_IT),  # P17
    Case("drive_restarts", "drive-reset", "carriage", "12.3", FOUND, (), ("carriage",), HOME_IT),  # P17
    # bodies
    Case("brake_slips", "brake-slips", "lift", "15", FOUND, (), (), "its brake does not hold"),  # P15
    Case("brake_sags", "sag", "lift", "3", FOUND, (), BEFORE_HOME, HOME_IT),  # P15
    Case("brake_stuck", "time-limit", "lift", "3", FOUND, (), BEFORE_HOME, HOME_IT),  # P15
    Case("home_switch_stuck_on", "home-switch-stuck", "lift", "8", FOUND, (), BEFORE_HOME, HOME_IT),  # P19
    Case("home_switch_stuck_off", "drive-fault", "carriage", "9", FOUND, (), ("beam_left", "beam_right", "carriage"),
         HOME_IT),  # P22
    Case("home_switch_missing", "home-switch-missing", "beam_left", "10", FOUND, (), ("beam_left", "beam_right"),
         HOME_IT),  # P19
    Case("home_switch_bounces", "home-shift", "carriage", "21", FOUND, (), ("carriage",), HOME_IT),
    Case("position_jump", "position-jump", "lift", "16", FOUND, (), ("lift",), HOME_IT),  # P17
]  # fmt: skip


def rehearse(file: str) -> Done:
    return Rehearsal(faults=GANTRY / "faults" / f"{file}.yaml").go()


@pytest.mark.parametrize("case", CASES, ids=[case.file for case in CASES])
def test_a_fault_ends_the_run(case: Case):
    done = rehearse(case.file)
    assert done.link.machine.fired, "the fault never acted"
    outcome = done.outcome
    assert (outcome.exit, outcome.rule, outcome.axis) == (case.exit, case.rule, case.axis), outcome.headline
    assert outcome.step is not None
    assert outcome.step.path.split()[0] == case.step
    (stopping,) = done.records("stopping")
    assert (stopping["rule"], stopping["exit"]) == (case.rule, int(case.exit))
    assert_ended_safely(done)
    ends = {record["axis"]: record for record in done.records("at_rest") + done.records("unproven")}
    assert {record["axis"] for record in done.records("unproven")} == set(case.unproven)
    assert {axis for axis, record in ends.items() if not record["home_valid"]} == set(case.homeless)
    assert case.next in ends[case.axis or ALL[0]]["next"]
    assert not done.link.machine.damage


SURVIVED = {
    "late_reply": "lost",  # P12: late answers are counted, and no answer in time is asked for again
    "late_request": "lost",
    "duplicate_reply": "late",  # P6, P12
    "corrupt_frame": "link",  # the bus repeats it by itself (facts.md A9)
    "error_frames": "link",
    "noise_spike": None,
    "varied": None,
}


@pytest.mark.parametrize(("file", "record"), SURVIVED.items())
def test_a_fault_that_is_survived_is_recorded(file: str, record: str | None):
    done = rehearse(file)
    assert done.outcome.exit is Exit.DONE, done.outcome.headline
    assert done.link.machine.fired or file == "varied"
    assert not done.link.machine.damage
    if record is not None:
        assert done.records(record)


def test_a_trigger_that_leaves_when_the_run_is_over_is_followed_by_the_stop():
    """practice.md P7: it may leave seconds later. Behind it in the adapter stands the stop, so nothing goes far."""
    done = rehearse("trigger_stuck_long")
    machine = done.link.machine
    before = {axis: machine.position(axis) for axis in ALL}
    assert "may have started" in done.outcome.headline
    done.link.kernel.run_until(done.link.now_ns() + 5_000_000_000, [], [])
    assert not done.link.unsent()
    after = {axis: machine.position(axis) for axis in ALL}
    assert all(abs(after[axis] - before[axis]) < 1.0 for axis in ALL), (before, after)
    assert not machine.drives["carriage"].servo.moving(done.link.now_ns())


def test_a_runaway_loses_its_power():
    """practice.md P14: speed that rises after a stop: power is taken from that axis."""
    done = rehearse("runaway")
    assert [(record["rule"], record["axis"]) for record in done.records("finding")][1:] == [("runaway", "carriage")]
    (end,) = [record for record in done.records("at_rest") if record["axis"] == "carriage"]
    assert end["energised"] is False


def test_an_axis_whose_brake_slips_is_left_under_power():
    """practice.md P15: vertical axes hold under power while they can."""
    done = rehearse("brake_slips")
    (end,) = [record for record in done.records("at_rest") if record["axis"] == "lift"]
    assert end["energised"] is True
    assert done.link.machine.drives["lift"].servo.enabled


def test_a_brake_that_slips_after_a_stop_leaves_its_axis_unproven(tmp_path):
    """practice.md P15, P17: nothing is enabled after a stop, so the axis is said to be unproven, and why."""
    file = tmp_path / "faults.yaml"
    file.write_text(
        "faults:\n"
        "  - {kind: brake_slips, axis: lift, speed: 5 mm/s, step: '12.3'}\n"
        "  - {kind: foreign_stop, step: '12.3', after: 800 ms}\n"
    )
    done = Rehearsal(faults=file).go()
    assert (done.outcome.exit, done.outcome.rule) == (Exit.STOPPED, "foreign-stop")
    (end,) = done.records("unproven")
    assert (end["axis"], end["energised"]) == ("lift", False)
    assert "brake does not hold" in end["why"]
    assert "Support the load" in end["next"]


@pytest.mark.parametrize("apart_ms", [0, 20, 40])
def test_nodes_that_fall_silent_together_are_power_or_bus_lost(tmp_path, apart_ms):
    """practice.md P14: several nodes lost within 100 ms, however the first is noticed."""
    file = tmp_path / "faults.yaml"
    fault = f"kind: nodes_lost, nodes: [carriage, lift], supply: bus, apart: {apart_ms} ms, step: '12.4'"
    file.write_text(f"faults:\n  - {{{fault}}}\n")
    done = Rehearsal(faults=file).go()
    assert (done.outcome.exit, done.outcome.rule) == (Exit.LINK, "bus-lost"), done.outcome.headline
    assert "carriage" in done.outcome.headline
    assert "lift" in done.outcome.headline
    assert {record["axis"] for record in done.records("unproven")} == {"carriage", "lift"}
    assert_ended_safely(done)


def test_nodes_that_fall_silent_one_long_after_the_other_have_each_their_own_cause(tmp_path):
    """practice.md P14: within 100 ms; this is three times as long."""
    file = tmp_path / "faults.yaml"
    fault = "kind: nodes_lost, nodes: [carriage, lift], supply: bus, apart: 300 ms, step: '12.4'"
    file.write_text(f"faults:\n  - {{{fault}}}\n")
    done = Rehearsal(faults=file).go()
    assert (done.outcome.exit, done.outcome.rule, done.outcome.axis) == (Exit.STOPPED, "node-silent", "carriage")
    assert_ended_safely(done)
