"""
The first set of faults, each on the demonstration: exit code, axis and step named, every node told to stop, nothing
that moves an axis after the last stop, standstill proved or declared unproven.

What a fault must lead to is the trade's practice (practice.md, common practice, no source), by the number beside it.
"""

from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import NamedTuple

import pytest

from choreo.errors import Exit
from choreo_sim.bus_faults import Match
from tests.run.machine import Rehearsal, assert_ended_safely


class Case(NamedTuple):
    name: str
    fault: str
    exit: Exit
    rule: str
    axis: str | None
    verbs: tuple[str, ...]  # one of these is under way when it is found
    unproven: tuple[str, ...] = ()


STOPPED, LINK = Exit.STOPPED, Exit.LINK

CASES = [
    Case("a request lost in the link check", "{kind: lost_request, node: 12, message: echo, nth: 100, times: 1}",
         STOPPED, "link-check", "beam_right", ("link_check",)),  # P28
    Case("a reply lost in the link check", "{kind: lost_reply, node: 13, message: echo, nth: 7, times: 1}",
         STOPPED, "link-check", "carriage", ("link_check",)),
    Case("a setting refused", "{kind: data_error_reply, node: 11, message: write_setting, nth: 2, times: 1}",
         STOPPED, "refused-by-drive", "beam_left", ("configure",)),
    Case("a load refused", "{kind: data_error_reply, node: 13, message: preload, nth: 12, times: 1}",
         STOPPED, "refused-by-drive", "carriage", ("preload", "move", "home")),
    Case("a position refused in a move", "{kind: data_error_reply, node: 11, message: read_position, at: 35.5 s}",
         STOPPED, "refused-by-drive", "beam_left", ("wait_for_position",)),
    Case("a node falls silent in a move", "{kind: silent_node, node: 12, at: 35.5 s}",
         STOPPED, "node-silent", "beam_right", ("wait_for_position",), ("beam_right",)),
    Case("a node falls silent at once", "{kind: silent_node, node: 14, at: 0 s}",
         STOPPED, "node-silent", "lift", (), ("lift",)),
    Case("one side of the beam sticks and its drive trips", "{kind: stalled_axis, node: 12, at_speed: 240 mm/s}",
         STOPPED, "", None, ("wait_for_position", "move")),
    Case("one side sticks, unnoticed by its drive",
         "{kind: stalled_axis, node: 12, at_speed: 240 mm/s, unnoticed: true}",
         STOPPED, "", None, ("wait_for_position", "move")),  # P9
    Case("the carriage sticks, unnoticed by its drive",
         "{kind: stalled_axis, node: 13, at_speed: 110 mm/s, unnoticed: true}",
         STOPPED, "tracking-deviation", "carriage", ("wait_for_position", "move")),  # P8
    Case("the carriage sticks and its drive trips", "{kind: stalled_axis, node: 13, at_speed: 110 mm/s}",
         STOPPED, "", "carriage", ("wait_for_position", "move")),
    Case("a load is lost just before the trigger", "{kind: load_lost, node: 12, nth: 12, times: 1}",
         STOPPED, "", None, ("trigger", "wait_for_position", "move", "home")),  # P4
    Case("a load is lost before it is proved", "{kind: load_lost_early, node: 13, nth: 9, times: 1}",
         STOPPED, "load-lost", "carriage", ("trigger", "move", "home")),
    Case("a stale load that cannot be cleared",
         "{kind: stale_load, node: 13, by: 100 mm, speed: 50 mm/s, sticky: ignores}",
         STOPPED, "load-stale", "carriage", ("enable",)),  # P2
    Case("a drive trips in a move", "{kind: drive_fault, node: 14, at_speed: 100 mm/s}",
         STOPPED, "drive-fault", "lift", ("move", "wait_for_position", "home")),
    Case("an encoder freezes in a move", "{kind: frozen_encoder, node: 13, at_speed: 110 mm/s}",
         STOPPED, "tracking-deviation", "carriage", ("wait_for_position", "move"), ("carriage",)),  # P10
    Case("the adapter is lost in a move", "{kind: adapter_lost, at: 35.5 s}",
         LINK, "adapter-lost", None, ("wait_for_position",), ("beam_left", "beam_right", "carriage", "lift")),
]  # fmt: skip


def rehearse(tmp_path: Path, fault: str, pace: Fraction = Fraction(1)):
    file = tmp_path / "faults.yaml"
    file.write_text(f"faults:\n  - {fault}\n")
    return Rehearsal(faults=file, pace=pace).go()


@pytest.mark.parametrize("case", CASES, ids=[case.name for case in CASES])
def test_a_fault_stops_the_machine(case: Case, tmp_path: Path):
    done = rehearse(tmp_path, case.fault)
    assert done.link.machine.fired, "the fault never acted"
    outcome = done.outcome
    assert outcome.exit is case.exit, outcome.headline
    if case.rule:
        assert outcome.rule == case.rule, outcome.headline
    if case.axis:
        assert outcome.axis == case.axis, outcome.headline
        assert case.axis in outcome.headline
    verb = None if outcome.step is None else outcome.step.verb
    assert verb in case.verbs if case.verbs else verb in (None, "link_check"), outcome.headline
    (stopping,) = done.records("stopping")
    assert stopping["rule"] == outcome.rule
    assert stopping["exit"] == int(case.exit)
    assert_ended_safely(done)
    assert sorted(record["axis"] for record in done.records("unproven")) == sorted(case.unproven)
    assert not done.link.machine.damage


def test_a_racked_beam_trips_on_its_skew(tmp_path: Path):
    """
    practice.md P9: at a fifth of the pace the beam goes 1 mm between two polls, so the trip skew of 1.5 mm is passed
    before the tracking limit of 3 mm, and by less than one poll's way more.
    """
    fault = "{kind: stalled_axis, node: 12, at_speed: 45 mm/s, unnoticed: true}"
    done = rehearse(tmp_path, fault, Fraction(1, 5))
    assert (done.outcome.exit, done.outcome.rule, done.outcome.axis) == (Exit.STOPPED, "pair-skew", "beam")
    assert_ended_safely(done)
    assert 1.5 < abs(done.link.machine.skew("beam")) < 1.5 + 1.0 + 50 * 0.025 + 50**2 / 6000


RECOVERED = [
    "{kind: lost_request, node: 12, message: read_position, at: 35.5 s, times: 1}",
    "{kind: lost_reply, node: 12, message: read_position, at: 35.5 s, times: 1}",
    "{kind: lost_request, node: 13, message: preload, nth: 10, times: 1}",
    "{kind: lost_reply, node: 13, message: preload, nth: 10, times: 1}",
    "{kind: lost_reply, node: 14, message: status, nth: 9, times: 1}",
]


@pytest.mark.parametrize("fault", RECOVERED)
def test_one_lost_frame_of_what_may_be_asked_again_is_survived_and_recorded(fault: str, tmp_path: Path):
    """
    Reads, and loads of absolute targets that replace each other, are asked again after the counted echo (design; P12).
    """
    done = rehearse(tmp_path, fault)
    assert len(done.link.machine.fired) == 1
    assert done.outcome.exit is Exit.DONE, done.outcome.headline
    assert len(done.records("lost")) == 1


def test_a_stale_load_of_an_earlier_run_is_found_cleared_and_reported(tmp_path: Path):
    """practice.md P2: before the first trigger every drive is brought to a known, empty load."""
    done = rehearse(tmp_path, "{kind: stale_load, node: 13, by: 100 mm, speed: 50 mm/s}")
    assert done.outcome.exit is Exit.DONE, done.outcome.headline
    found = {record["axis"]: record["found"] for record in done.records("loads")}
    assert found == {"beam_left": False, "beam_right": False, "carriage": True, "lift": False}


def test_a_home_switch_that_has_moved_is_found_when_it_is_touched_again():
    """practice.md, the demo machine: home switches touched again, shift at most 0.1 mm."""
    rehearsal = Rehearsal()
    carriage = rehearsal.link.machine.axes["carriage"]

    def loosen(_: object) -> None:
        moved = tuple(replace(home, edge=home.edge + Fraction(1, 4)) for home in carriage.truth.home)
        carriage.truth = replace(carriage.truth, home=moved)
        carriage._edges = [(carriage.counts(float(home.edge)), home) for home in moved]

    rehearsal.link.kernel.at(60 * 1_000_000_000, loosen)
    done = rehearsal.go()
    assert (done.outcome.exit, done.outcome.rule, done.outcome.axis) == (Exit.STOPPED, "home-shift", "carriage")
    assert_ended_safely(done)


@pytest.mark.parametrize("node", [11, 12])
@pytest.mark.parametrize("late_ms", [6, 12, 18])
def test_one_late_reply_of_a_side_is_no_skew(node: int, late_ms: int):
    """
    practice.md P9 (common practice, no source): a sample is an interval. At 250 mm/s a position that was read at once
    and arrives 18 ms later looks like 2 mm of skew when it is taken for the middle of its interval.
    """
    rehearsal = Rehearsal()
    reply = Match(identifier=0x120 + node, from_ns=35_500_000_000, data=lambda data: data[0] == 0x92)
    rehearsal.link.bus.faults.delay(reply, late_ms * 1_000_000)
    done = rehearsal.go()
    assert done.outcome.exit is Exit.DONE, done.outcome.headline
