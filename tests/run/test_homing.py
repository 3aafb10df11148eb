"""Homing from awkward places (practice.md P19, common practice, no source)."""

from dataclasses import replace
from fractions import Fraction

import pytest

import choreo_sim.machine
from choreo.errors import Exit
from tests.run.machine import Done, Rehearsal, assert_ended_safely


def from_places(monkeypatch: pytest.MonkeyPatch, **starts: float) -> Done:
    """The demonstration on a machine that was left elsewhere. (The first small moves are +5 mm.)"""
    read = choreo_sim.machine.read_machine

    def moved(path):
        truth = read(path)
        axes = (replace(axis, start=Fraction(starts.get(axis.name, axis.start))) for axis in truth.axes)
        return replace(truth, axes=tuple(axes))

    monkeypatch.setattr(choreo_sim.machine, "read_machine", moved)
    return Rehearsal().go()


def test_a_switch_that_is_active_at_the_start_is_left_first(monkeypatch: pytest.MonkeyPatch):
    done = from_places(monkeypatch, beam_left=-14, beam_right=-14, carriage=-12, lift=651)
    assert done.outcome.exit is Exit.DONE, done.outcome.headline
    assert abs(done.link.machine.skew("beam")) < 0.1
    for axis, park in (("beam_left", 100), ("beam_right", 100), ("carriage", 650), ("lift", 640)):
        assert done.link.machine.position(axis) == pytest.approx(park, abs=0.1)


@pytest.mark.parametrize("ahead", [-2.5, -1.2, 0.6, 1.9])
def test_a_beam_that_was_left_out_of_square_is_squared(monkeypatch: pytest.MonkeyPatch, ahead: float):
    """Zero the relative skew, approach together, square by the captured edges, whichever side is ahead."""
    done = from_places(monkeypatch, beam_left=500, beam_right=500 + ahead)
    assert done.outcome.exit is Exit.DONE, done.outcome.headline
    assert abs(done.link.machine.skew("beam")) < 0.1


def test_a_beam_too_far_out_of_square_is_not_forced(monkeypatch: pytest.MonkeyPatch):
    """By more than `square_limit` (3 mm) the other side is not sent on: the run stops and somebody looks."""
    done = from_places(monkeypatch, beam_left=500, beam_right=505)
    assert done.outcome.exit is Exit.STOPPED
    assert done.outcome.step is not None
    assert done.outcome.step.verb == "home"
    assert done.outcome.axis in ("beam", "beam_left", "beam_right")
    assert_ended_safely(done)
    assert not done.link.machine.damage


def test_an_axis_that_is_too_far_away_from_its_switch_stops(monkeypatch: pytest.MonkeyPatch):
    """practice.md P21: before home an axis goes no farther than `unhomed` allows from where it was found."""
    done = from_places(monkeypatch, carriage=1299)
    lost = Rehearsal()
    carriage = lost.link.machine.axes["carriage"]
    carriage.truth = replace(carriage.truth, home=())  # the switch has come off
    carriage._edges = []
    missing = lost.go()
    assert done.outcome.exit is Exit.DONE, done.outcome.headline
    assert missing.outcome.exit is Exit.STOPPED
    assert missing.outcome.axis == "carriage"
    assert_ended_safely(missing)
