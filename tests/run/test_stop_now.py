"""
A stop without a run, on the simulated bus: the session before it is gone as if its process had been killed, and every
axis is wherever and however fast it was.

P numbers are practice.md (common practice, no source). Frames are those of the shipped dialect, read from its file by
eye: 0x020 is to all nodes, 0x020 + node to one, 61 stops, 62 is the quick stop.
"""

import json
from collections.abc import Callable
from dataclasses import dataclass
from io import StringIO
from pathlib import Path
from typing import Any

import pytest

from choreo.api import machine_plan
from choreo.errors import Exit
from choreo.frame import Frame
from choreo.journal.writer import JournalWriter
from choreo.link.outbox import IN_ADAPTER
from choreo.link.port import Interrupt
from choreo.link.simulated import run_by_hand
from choreo.run.executor import Outcome, perform, says_yes
from choreo.run.live import Live
from choreo.run.stop_now import stop_now
from choreo.wire.words import MOTION
from run.machine import DEMO, GANTRY, Rehearsal

MS = 1_000_000
SLIDES = Path(__file__).parents[1] / "live" / "two_slides.yaml"


class KilledError(BaseException):
    """What no session catches."""


@dataclass
class Stopped:
    """A stop that is over. `speeds` are those of the axes at its beginning, `sent` the host's frames since then."""

    outcome: Outcome
    rehearsal: Rehearsal
    speeds: dict[str, float]
    sent: list[tuple[int, Frame]]
    text: str
    began_ns: int

    @property
    def proven(self) -> dict[str, bool]:
        return {rest.axis.name: rest.proven for rest in self.outcome.rests}

    def why(self, axis: str) -> str:
        return next(rest.why for rest in self.outcome.rests if rest.axis.name == axis)

    def records(self, kind: str) -> list[dict[str, Any]]:
        found = [json.loads(line) for line in self.text.splitlines() if line.startswith("{")]
        return [record for record in found if record["k"] == kind]


def killed(step: str, *, samples: int, recipe: Path = DEMO, faults: Path | None = None) -> Rehearsal:
    """A machine whose session was killed so many readings after the beginning of a step, as a reader counts."""
    rehearsal = Rehearsal(recipe, faults=faults)
    (wanted,) = (one.id for one in rehearsal.plan.steps if one.path == step)
    left: list[int] = []

    def record(kind: str, t_ns: int, fields: dict[str, Any]) -> None:
        if kind == "step_begin" and fields["step"] == wanted:
            left.append(samples)
            if not samples:
                raise KilledError

    def sample(t_ns: int, axis: int, counts: int, age_us: int) -> None:
        if left:
            left[0] -= 1
            if left[0] <= 0:
                raise KilledError

    journal = JournalWriter(None, observer=record, sample_observer=sample)
    with pytest.raises(KilledError):
        run_by_hand(perform(rehearsal.plan, rehearsal.link, journal, mode="live", seed=0, operator=says_yes))
    return rehearsal


def speeds(rehearsal: Rehearsal) -> dict[str, float]:
    """True speeds now, in the unit per second."""
    machine, now = rehearsal.link.machine, rehearsal.link.now_ns()
    return {name: abs(axis.position(now + MS) - axis.position(now)) * 1000.0 for name, axis in machine.axes.items()}


def stopped(
    rehearsal: Rehearsal,
    *,
    quick: bool = False,
    meanwhile: Callable[[str], None] = lambda kind: None,
    machine: Path = GANTRY / "machine.yaml",
) -> Stopped:
    before, mark, began_ns = speeds(rehearsal), len(rehearsal.sent), rehearsal.link.now_ns()
    text = StringIO()
    journal = JournalWriter(None, text, observer=lambda kind, t_ns, fields: meanwhile(kind))
    live = Live(word="", bus="here:now", started="2026-01-01T00:00:00+00:00")
    plan = machine_plan(machine)
    outcome = run_by_hand(stop_now(plan, rehearsal.link, journal, live=live, quick=quick))
    return Stopped(outcome, rehearsal, before, rehearsal.sent[mark:], text.getvalue(), began_ns)


def assert_stands(done: Stopped, *axes: str) -> None:
    """By the machine's truth."""
    machine, now = done.rehearsal.link.machine, done.rehearsal.link.now_ns()
    before = {axis: machine.position(axis) for axis in axes}
    done.rehearsal.link.kernel.run_until(now + 300 * MS, [], [])
    for axis in axes:
        assert abs(machine.position(axis) - before[axis]) < 0.05, axis


ALL = ("beam_left", "beam_right", "carriage", "lift")


@pytest.mark.parametrize("quick", [False, True])
def test_axes_in_motion_are_proven_at_rest(quick: bool) -> None:
    done = stopped(killed("12.3 (1 of 5)", samples=180), quick=quick)
    assert done.speeds["beam_left"] > 200
    assert done.speeds["carriage"] > 90
    assert done.outcome.exit is Exit.DONE, done.outcome.headline
    assert done.proven == dict.fromkeys(ALL, True)
    assert_stands(done, *ALL)
    assert [record["exit"] for record in done.records("end")] == [0]
    assert {record["axis"] for record in done.records("at_rest")} == set(ALL)
    assert all(record["next"] for record in done.records("at_rest"))
    assert "when it was first read" not in done.why("beam_left")
    assert "when it was first read" in done.why("lift")


@pytest.mark.parametrize(("quick", "code"), [(False, 0x61), (True, 0x62)])
def test_the_first_frames_are_the_stop(quick: bool, code: int) -> None:
    # P13: by broadcast, then node by node, before anything is read.
    done = stopped(killed("12.3 (1 of 5)", samples=100), quick=quick)
    frames = [frame[:2] for _, frame in done.sent]
    first = frames.index((0x020, bytes([code])))
    assert first <= IN_ADAPTER + 2, "what the killed session had handed over is all that may come before"
    assert all(identifier > 0x140 for identifier, _ in frames[:first])
    assert frames[first + 1 : first + 5] == [(0x020 + node, bytes([code])) for node in (11, 12, 13, 14)]


def test_nothing_that_moves_an_axis_is_sent() -> None:
    done = stopped(killed("12.3 (1 of 5)", samples=100))
    (dialect,) = done.rehearsal.plan.dialects.values()
    told = [dialect.decode(frame) for _, frame in done.sent]
    assert [one.message for one in told if one is not None and one.frame_class in MOTION] == []
    assert None not in told


def test_home_and_power_are_as_the_drives_say() -> None:
    done = stopped(killed("12.3 (1 of 5)", samples=150))
    for record in done.records("at_rest"):
        assert record["home_valid"] is True
        assert record["energised"] is True
        assert record["load"] == "empty"
        truth = done.rehearsal.link.machine.position(record["axis"])
        assert abs(record["position"] - truth) < 0.2, record


def test_loads_that_a_killed_session_left_are_cleared() -> None:
    # P2: the next start trigger, of anybody, would set them off.
    rehearsal = killed("12.2 (1 of 5)", samples=0)
    drives = rehearsal.link.machine.drives
    assert any(drive.servo.load.held for drive in drives.values()), "nothing is loaded: this shows nothing"
    done = stopped(rehearsal)
    assert done.outcome.exit is Exit.DONE
    assert not any(drive.servo.load.held for drive in drives.values())
    assert {record["load"] for record in done.records("at_rest")} == {"empty"}


def test_a_silent_node_is_unproven_and_the_others_are_proven() -> None:
    rehearsal = killed("12.3 (1 of 5)", samples=180)
    rehearsal.link.machine.drives["carriage"].controller.switch_off()
    done = stopped(rehearsal)
    assert done.outcome.exit is Exit.STOPPED
    assert "carriage" in done.outcome.headline
    assert "beam" not in done.outcome.headline
    assert done.proven == {axis: axis != "carriage" for axis in ALL}
    assert done.why("carriage") == "it does not answer"
    # P14: a node that is lost makes the controlled stop a quick one.
    assert any(frame[:2] == (0x020, b"\x62") for _, frame in done.sent)
    assert_stands(done, "beam_left", "beam_right", "lift")


def test_a_bus_on_which_nobody_answers_is_a_lost_one() -> None:
    rehearsal = killed("12.3 (1 of 5)", samples=180)
    for drive in rehearsal.link.machine.drives.values():
        drive.controller.switch_off()
    done = stopped(rehearsal)
    assert done.outcome.exit is Exit.LINK, done.outcome.headline
    assert not any(done.proven.values())


def test_an_adapter_that_is_lost_proves_nothing() -> None:
    rehearsal = killed("12.3 (1 of 5)", samples=180)
    done = stopped(
        rehearsal, meanwhile=lambda kind: rehearsal.link.lose_adapter("unplugged") if kind == "stopping" else None
    )
    assert done.outcome.exit is Exit.LINK, done.outcome.headline
    assert "adapter" in done.outcome.headline
    assert not any(done.proven.values())
    assert [record["exit"] for record in done.records("end")] == [4]


def test_interrupts_do_not_cut_it_short() -> None:
    rehearsal = killed("12.3 (1 of 5)", samples=180)
    done = stopped(
        rehearsal, meanwhile=lambda kind: rehearsal.link.post(Interrupt("Ctrl-C")) if kind == "command" else None
    )
    assert len(done.records("operator")) > 3
    assert done.outcome.exit is Exit.DONE
    assert_stands(done, *ALL)


@pytest.fixture
def gentle(tmp_path: Path) -> Path:
    """Two slides whose drives have ramps far below what the limits allow."""
    text = SLIDES.read_text(encoding="utf-8")
    for old, new in (
        ("10 mm/s, acceleration: 400 mm/s^2, jerk: 4000 mm/s^3", "40 mm/s, acceleration: 20 mm/s^2, jerk: 40 mm/s^3"),
        ("distance: 60 mm", "distance: 200 mm"),
        ("value: 8 mm, allowed: [5 mm, 50 mm]", "value: 150 mm"),
        ("far_slide: {by: -$stroke}", "far_slide: {by: $stroke}"),
    ):
        assert text.count(old) == 1
        text = text.replace(old, new)
    recipe = tmp_path / "gentle.yaml"
    recipe.write_text(text, encoding="utf-8")
    return recipe


def test_a_slow_ramp_is_no_runaway(gentle: Path) -> None:
    # 40 mm/s at 20 mm/s^2 and 40 mm/s^3 take 40/20 + 20/40 = 2.5 s; by the limits an axis is down from 100 mm/s, the
    # fastest that it may be, after 100/400 + 400/4000 = 0.35 s (facts.md E).
    done = stopped(killed("6", samples=280, recipe=gentle), machine=gentle)
    assert min(done.speeds.values()) > 38
    assert done.outcome.taken_ns > 2_300 * MS
    assert done.records("finding") == []
    assert done.outcome.exit is Exit.DONE, done.outcome.headline
    assert {record["energised"] for record in done.records("at_rest")} == {True}
    assert_stands(done, "near_slide", "far_slide")


def test_an_axis_that_still_accelerates_is_no_runaway(gentle: Path) -> None:
    # With so little jerk its speed goes on rising for 20/40 = 0.5 s after the stop.
    done = stopped(killed("6", samples=120, recipe=gentle), machine=gentle)
    assert 5 < min(done.speeds.values()) < 25
    assert done.records("finding") == []
    assert done.outcome.exit is Exit.DONE
    assert_stands(done, "near_slide", "far_slide")


def test_drives_that_do_not_tell_their_ramps_are_not_taken_for_runaways(
    gentle: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from choreo.drive.described import DescribedDrive
    from choreo.errors import RefusedByDrive

    rehearsal = killed("6", samples=280, recipe=gentle)

    def refuse(self: object, name: object) -> object:
        raise RefusedByDrive("no such setting", rule="data-error")
        yield

    monkeypatch.setattr(DescribedDrive, "read_setting", refuse)
    done = stopped(rehearsal, machine=gentle)
    assert done.records("finding") == []
    assert not any("power" in record["verb"] for record in done.records("command"))
    # They are given the time of the limits' ramps and not more: what goes on slowing down then is not proven.
    assert done.outcome.exit is Exit.STOPPED
    assert not any(done.proven.values())
    assert {record["energised"] for record in done.records("unproven")} == {True}


def test_an_axis_that_runs_away_from_the_stop_loses_its_power(gentle: Path, tmp_path: Path) -> None:
    # P14: whatever it carries.
    faults = tmp_path / "runaway.yaml"
    faults.write_text("faults:\n  - {kind: runaway_after_stop, axis: near_slide, at: 2 s, speed: 200 mm/s}\n")
    done = stopped(killed("6", samples=280, recipe=gentle, faults=faults), machine=gentle)
    assert [(record["rule"], record["axis"]) for record in done.records("finding")] == [("runaway", "near_slide")]
    assert {record["axis"]: record["energised"] for record in done.records("at_rest")} == {
        "near_slide": False,
        "far_slide": True,
    }
    assert_stands(done, "near_slide", "far_slide")


def test_a_machine_that_stands_is_found_standing() -> None:
    rehearsal = Rehearsal()
    done = stopped(rehearsal)
    assert done.outcome.exit is Exit.DONE
    assert all("when it was first read" in rest.why for rest in done.outcome.rests)
    assert {record["energised"] for record in done.records("at_rest")} == {False}
    assert {record["home_valid"] for record in done.records("at_rest")} == {False}


def test_its_journal_is_one_that_can_be_reported() -> None:
    from choreo.journal.reader import read_journal_text
    from choreo.report import report_lines, summarise

    done = stopped(killed("12.3 (1 of 5)", samples=180))
    summary = summarise(read_journal_text(done.text, "the journal"))
    assert summary.complete
    assert any("beam_left" in line for line in report_lines(summary, 100))
    assert done.records("run")[0]["bus"] == "here:now"
