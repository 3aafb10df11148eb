"""Stopping where it is hard: a trigger that is stuck in the adapter, a runaway, a lost stop, an unforeseen bug."""

from functools import cache
from io import StringIO
from pathlib import Path
from typing import Any

import pytest

from choreo.errors import Exit
from choreo.frame import Frame
from choreo.journal import writer
from choreo.link.port import Interrupt
from choreo.run.executor import execute
from choreo.run.steps import STEPS
from choreo.wire.words import MOTION, FrameClass
from choreo_sim.bus_faults import Match
from tests.run.machine import Done, Rehearsal, assert_ended_safely

MS = 1_000_000
S = 1_000_000_000
LIFT_OFF = ("lift", "disable")


def faulty(tmp_path: Path, fault: str) -> Rehearsal:
    file = tmp_path / "faults.yaml"
    file.write_text(f"faults:\n  - {fault}\n")
    return Rehearsal(faults=file)


def stuck_trigger(after_ns: int, by_ns: int) -> Done:
    """The first start trigger after a time stays in the adapter for so long, and what is behind it too."""
    rehearsal = Rehearsal()
    (dialect,) = rehearsal.plan.dialects.values()
    stuck: list[int] = []

    def delay(frame: Frame, now: int) -> int:
        if not stuck and now > after_ns and dialect.decode(frame).frame_class is FrameClass.STARTS:
            stuck.append(now)
            return by_ns
        return 0

    rehearsal.link.adapter_delay_ns = delay
    done = rehearsal.go()
    assert stuck
    return done


def test_a_trigger_that_leaves_late_is_followed_by_another_stop():
    """practice.md P7: a trigger unconfirmed after its deadline ends the run; what it still starts is stopped."""
    done = stuck_trigger(34 * S, 300 * MS)
    assert done.outcome.exit is Exit.STOPPED
    assert "may have started" in done.outcome.headline
    assert_ended_safely(done)
    classes = done.classes()
    started = max(t_ns for t_ns, kind, _ in classes if kind is FrameClass.STARTS)
    stops = [t_ns for t_ns, kind, node in classes if kind is FrameClass.STOPS and node is None and t_ns > started]
    assert len(stops) >= 2  # the one that stood behind it in the adapter, and one sent when it was seen to have left
    assert not done.records("unproven")


def test_a_trigger_that_does_not_leave_leaves_every_axis_unproven():
    done = stuck_trigger(34 * S, 30 * S)
    assert done.outcome.exit is Exit.STOPPED
    unproven = done.records("unproven")
    assert len(unproven) == 4
    assert all("may still leave the adapter" in record["why"] or "answer" in record["why"] for record in unproven)


def test_an_axis_that_runs_away_after_the_stop_loses_its_power_and_gets_its_brake(tmp_path: Path):
    """practice.md P14 (common practice, no source)."""
    rehearsal = faulty(tmp_path, "{kind: runaway_after_stop, node: 13, at: 35 s, speed: 300 mm/s}")
    rehearsal.link.kernel.at(35_500 * MS, lambda _: rehearsal.link.post(Interrupt("a test")))
    done = rehearsal.go()
    assert done.link.machine.fired
    assert done.outcome.exit is Exit.OPERATOR
    (runaway,) = [record for record in done.records("finding") if record["rule"] == "runaway"]
    assert runaway["axis"] == "carriage"
    cut = [record for record in done.records("command") if record["verb"] == "disable" and record["outcome"] == "sent"]
    assert [record["axis"] for record in cut] == ["carriage"]
    assert not done.link.machine.drives["carriage"].servo.enabled
    assert not done.link.machine.drives["lift"].servo.enabled or done.records("at_rest")


def test_a_stop_that_is_lost_in_homing_is_repeated_too(tmp_path: Path):
    done = faulty(tmp_path, "{kind: lost_request, node: 14, message: stop, times: 1}").go()
    assert len(done.link.machine.fired) == 1
    assert done.outcome.exit is Exit.DONE, done.outcome.headline


@pytest.mark.parametrize("nodes", [(12,), (11, 12, 13, 14)])
def test_a_lost_stop_is_repeated(tmp_path: Path, nodes: tuple[int, ...]):
    """practice.md P13: first by broadcast, then node by node, repeated until each is seen to slow down."""
    file = tmp_path / "faults.yaml"
    lost = "".join(f"  - {{kind: lost_request, node: {node}, message: stop, at: 35 s, times: 3}}\n" for node in nodes)
    file.write_text(f"faults:\n{lost}")
    rehearsal = Rehearsal(faults=file)
    rehearsal.link.kernel.at(35_500 * MS, lambda _: rehearsal.link.post(Interrupt("a test")))
    done = rehearsal.go()
    assert len(done.link.machine.fired) >= 3 * len(nodes)
    assert done.outcome.exit is Exit.OPERATOR
    assert_ended_safely(done)
    assert not done.records("unproven")


def test_a_bug_in_a_step_stops_the_machine_and_says_so(monkeypatch: pytest.MonkeyPatch):
    rehearsal = Rehearsal()
    step = next(step for step in rehearsal.plan.steps if step.verb == "wait_for_position")

    async def broken(run: object, action: object) -> None:
        raise KeyError("a bug")

    monkeypatch.setitem(STEPS, type(step.action), broken)
    done = rehearsal.go()
    assert done.outcome.exit is Exit.INTERNAL
    assert "a bug in choreo: KeyError" in done.outcome.headline
    assert isinstance(done.outcome.trouble, KeyError)
    assert_ended_safely(done)
    assert not done.records("unproven")


def test_interrupts_during_stopping_do_not_cut_it_short():
    rehearsal = Rehearsal()
    for at_ms in (35_500, 35_501, 35_550, 35_700):
        rehearsal.link.kernel.at(at_ms * MS, lambda _: rehearsal.link.post(Interrupt("again")))
    done = rehearsal.go()
    assert done.outcome.exit is Exit.OPERATOR
    assert_ended_safely(done)
    assert not done.records("unproven")
    assert len(done.records("operator")) >= 2


def test_closing_after_a_failure_disables_and_moves_nothing():
    """practice.md P17: only its verbs that move nothing, the brake before the power."""
    rehearsal = Rehearsal()
    rehearsal.link.kernel.at(35_500 * MS, lambda _: rehearsal.link.post(Interrupt("a test")))
    done = rehearsal.go()
    last_stop = max(t_ns for t_ns, kind, _ in done.classes() if kind is FrameClass.STOPS)
    after = [(kind, node) for t_ns, kind, node in done.classes() if t_ns > last_stop]
    assert not [kind for kind, _ in after if kind in MOTION]
    assert not any(drive.servo.enabled for drive in done.link.machine.drives.values())
    lift = [record["verb"] for record in done.records("command") if record["axis"] == "lift"]
    assert lift.index("apply brake") < len(lift) - 1 - lift[::-1].index("disable")


@cache
def triggers() -> list[dict[str, Any]]:
    return Rehearsal().go().records("trigger")


@pytest.mark.parametrize("after_trigger_ms", [1, 5, 20, 50, 80])
def test_a_jerk_limited_ramp_that_still_rises_is_no_runaway(after_trigger_ms: int):
    """
    facts.md E4: a stop out of full acceleration with limited jerk goes on gaining speed for A/J, here 100 ms and
    40 mm/s. Taking the power of one side of a beam for it would rack the beam.
    """
    rehearsal = Rehearsal()
    started = next(record["started_ns"] for record in triggers() if len(record["axes"]) == 3)
    moment = started + after_trigger_ms * MS
    rehearsal.link.kernel.at(moment, lambda _: rehearsal.link.post(Interrupt("a test")))
    done = rehearsal.go()
    assert done.outcome.exit is Exit.OPERATOR
    assert_ended_safely(done)
    assert not [record for record in done.records("finding") if record["rule"] == "runaway"]
    assert not done.records("unproven")
    assert not done.link.machine.damage


def interrupted(rehearsal: Rehearsal, at_ms: int) -> Done:
    rehearsal.link.kernel.at(at_ms * MS, lambda _: rehearsal.link.post(Interrupt("a test")))
    return rehearsal.go()


def test_a_beam_that_racks_in_a_controlled_stop_is_stopped_quickly(tmp_path: Path):
    """
    practice.md P14 (common practice, no source): skew means a quick stop of all, also when an operator's soft stop is
    under way. One side sticks 10 ms after the stop; at 800 mm/s^2 the other would go on for more than 39 mm, and the
    structural skew is 20 mm (P9, P13).
    """
    fault = "{kind: stalled_axis, node: 12, at: 35.5 s, unnoticed: true}"
    done = interrupted(faulty(tmp_path, fault), 35_490)
    assert done.outcome.exit is Exit.OPERATOR
    assert [(record["rule"], record["axis"]) for record in done.records("finding")] == [("pair-skew", "beam")]
    assert "quick stop all" in {record["verb"] for record in done.records("command")}
    assert_ended_safely(done)
    assert 1.5 < abs(done.link.machine.skew("beam")) < 20
    assert not done.link.machine.damage


def test_a_frozen_encoder_does_not_prove_that_an_axis_stands_while_it_still_slows_down(tmp_path: Path):
    """
    practice.md P10 (common practice, no source): a frozen encoder repeats itself. The lift goes at 120 mm/s; three
    equal readings come after 60 ms, its ramp takes 400 ms. Without proof it gets neither brake nor power off.
    """
    done = interrupted(faulty(tmp_path, "{kind: frozen_encoder, node: 14, at: 65.5 s}"), 65_505)
    assert done.outcome.exit is Exit.OPERATOR
    (unproven,) = done.records("unproven")
    assert unproven["axis"] == "lift"
    assert "repeats itself" in unproven["why"]
    assert done.link.machine.drives["lift"].servo.enabled
    assert_ended_safely(done)


@pytest.mark.parametrize("node", [12, 13])
def test_a_node_that_fell_silent_is_not_said_to_run_away(tmp_path: Path, node: int):
    """practice.md P14 (common practice, no source): a runaway is a speed that is read after the stop."""
    done = faulty(tmp_path, f"{{kind: silent_node, node: {node}, at: 35.51 s}}").go()
    assert done.outcome.rule == "node-silent"
    assert "runaway" not in {record["rule"] for record in done.records("finding")}
    assert_ended_safely(done)


def test_a_drive_that_started_anew_unheard_is_not_homed_in_the_record(tmp_path: Path):
    """practice.md P17 (common practice, no source): home lapses at boot-up, also when the boot event is lost."""
    file = tmp_path / "faults.yaml"
    file.write_text(
        "faults:\n  - {kind: drive_restarts, node: 13, at: 36.6 s}\n  - {kind: lost_reply, node: 13, message: boot}\n"
    )
    done = Rehearsal(faults=file).go()
    assert done.outcome.exit is Exit.STOPPED
    home = {record["axis"]: record["home_valid"] for record in done.records("at_rest")}
    assert home == {"beam_left": True, "beam_right": True, "carriage": False, "lift": True}


@pytest.mark.parametrize("record", [2, 3, 4, 8, 20])
def test_a_disk_that_fills_up_in_a_stop_does_not_cut_it_short(
    record: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    """practice.md P13 (common practice, no source): the stop is repeated until each axis is seen to stand."""
    rehearsal, text, written = Rehearsal(), StringIO(), []
    write_all = writer._write_all

    def full(file: int, data: bytes) -> None:
        if rehearsal.link.now_ns() >= 35_500 * MS and b'{"k"' in data:
            written.append(data)
            if len(written) >= record:
                raise OSError(28, "No space left on device")
        write_all(file, data)

    monkeypatch.setattr(writer, "_write_all", full)
    journal = writer.JournalWriter(tmp_path / "journal.jsonl", text)
    rehearsal.link.kernel.at(35_500 * MS, lambda _: rehearsal.link.post(Interrupt("a test")))
    outcome = execute(rehearsal.plan, rehearsal.link, journal)
    done = Done(rehearsal.plan, outcome, text.getvalue(), rehearsal.sent, rehearsal.link)
    assert outcome.exit in (Exit.OPERATOR, Exit.STOPPED)
    assert outcome.trouble is None
    assert_ended_safely(done)
    assert not done.records("unproven")


def test_a_bug_in_stopping_still_sends_a_stop_that_leaves(monkeypatch: pytest.MonkeyPatch):
    """practice.md P13 (common practice, no source): what is left then is a stop to all, on the wire before the end."""
    from choreo.run import stopping

    def broken(*arguments: object, **named: object) -> None:
        raise KeyError("a bug")

    monkeypatch.setattr(stopping, "note_way", broken)
    done = interrupted(Rehearsal(), 35_500)
    assert done.outcome.exit is Exit.INTERNAL
    assert len(done.records("unproven")) == 4
    assert_ended_safely(done)


def test_a_late_reply_in_a_stop_is_no_runaway():
    """
    practice.md P12, P14 (common practice, no source): a position that arrives 18 ms late makes the next 5 mm look as if
    they had taken 10 ms. Taking the power of one side of a beam for it would rack the beam.
    """
    rehearsal = Rehearsal()
    reply = Match(identifier=0x120 + 12, from_ns=35_490 * MS, data=lambda data: data[0] == 0x92)
    rehearsal.link.bus.faults.delay(reply, 18 * MS)
    done = interrupted(rehearsal, 35_505)
    assert done.outcome.exit is Exit.OPERATOR
    assert not done.records("finding")
    assert not done.records("unproven")
    assert not done.link.machine.damage


def test_several_nodes_lost_at_once_are_power_or_bus_lost(tmp_path: Path):
    """practice.md P14 (common practice, no source): within 100 ms; stop frames only, no power is taken."""
    file = tmp_path / "faults.yaml"
    file.write_text(
        "faults:\n" + "".join(f"  - {{kind: silent_node, node: {node}, at: 35.5 s}}\n" for node in (12, 13))
    )
    done = Rehearsal(faults=file).go()
    assert (done.outcome.exit, done.outcome.rule) == (Exit.LINK, "bus-lost"), done.outcome.headline
    assert "beam_right" in done.outcome.headline
    assert "carriage" in done.outcome.headline
    assert_ended_safely(done)
    assert sorted(record["axis"] for record in done.records("unproven")) == ["beam_right", "carriage"]
    cut = [record for record in done.records("command") if record["verb"] == "disable" and record["outcome"] == "sent"]
    assert not cut


def test_a_torque_limit_set_for_squaring_is_set_back_when_the_run_breaks_off():
    """practice.md P25 (common practice, no source): what was set for a run is set back at its end."""
    lowered = next(record for record in Rehearsal().go().records("command") if "torque_limit to 40" in record["verb"])
    rehearsal = Rehearsal()
    rehearsal.link.kernel.at(lowered["t"] + 60 * MS, lambda _: rehearsal.link.post(Interrupt("a test")))
    done = rehearsal.go()
    assert done.outcome.exit is Exit.OPERATOR
    assert_ended_safely(done)
    written = [record["verb"] for record in done.records("command") if "torque_limit" in record["verb"]]
    assert written[-2:] == ["set torque_limit to 40 (raw)", "set torque_limit to 100 (raw)"]


def test_one_side_of_a_beam_does_not_lose_its_power_alone(tmp_path: Path):
    """practice.md P17 and P19 (common practice, no source): closing after a failure leaves the beam to both or none."""
    done = faulty(tmp_path, "{kind: silent_node, node: 12, at: 35.5 s}").go()
    assert [record["axis"] for record in done.records("unproven")] == ["beam_right"]
    powered = {name: drive.servo.enabled for name, drive in done.link.machine.drives.items()}
    assert powered == {"beam_left": True, "beam_right": True, "carriage": False, "lift": False}
    held = {record["axis"]: record["energised"] for record in done.records("at_rest")}
    assert held == {"beam_left": True, "carriage": False, "lift": False}


def test_a_disk_that_fills_up_in_a_run_stops_it_with_its_polls_alive(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    rehearsal, text = Rehearsal(), StringIO()
    write_all = writer._write_all

    def full(file: int, data: bytes) -> None:
        if rehearsal.link.now_ns() >= 35_500 * MS:
            raise OSError(28, "No space left on device")
        write_all(file, data)

    monkeypatch.setattr(writer, "_write_all", full)
    outcome = execute(rehearsal.plan, rehearsal.link, writer.JournalWriter(tmp_path / "journal.jsonl", text))
    assert outcome.exit is Exit.STOPPED
    assert outcome.trouble is None
    assert all(rest.proven for rest in outcome.rests)
    assert len(outcome.rests) == 4


def test_nodes_lost_while_closing_looks_at_a_brake_end_the_run_unproven(tmp_path: Path):
    """What was proved before proves nothing for a node that nobody has heard since (practice.md P10, P17)."""
    stop = "{kind: foreign_stop, at: 30 s}"
    whole = faulty(tmp_path, stop).go()
    closing = [record["t"] for record in whole.records("command") if record["axis"] == "lift"]
    lost_ms = closing[-1] // MS + 3  # its last command takes the power: its brake is looked at for 200 ms
    done = faulty(tmp_path, f"{stop}\n  - {{kind: nodes_lost, nodes: all, supply: bus, at: {lost_ms} ms}}").go()
    assert (done.outcome.rule, done.outcome.exit) == (whole.outcome.rule, whole.outcome.exit)
    assert [record["why"] for record in done.records("unproven")] == 4 * [
        "it has stopped answering since it was seen to stand"
    ]
    assert done.outcome.taken_ns - lost_ms * MS < S


def test_home_lapses_at_a_position_jump_in_a_stop_too(tmp_path: Path):
    """practice.md P17 (common practice, no source): a retreat must not count on it."""
    jump = "{kind: position_jump, node: 13, at: 30020 ms, by: 50 mm}"
    done = faulty(tmp_path, f"{{kind: foreign_stop, at: 30 s}}\n  - {jump}").go()
    assert done.outcome.rule == "foreign-stop"
    homes = {record["axis"]: record["home_valid"] for record in done.records("at_rest")}
    assert (homes["carriage"], homes["lift"]) == (False, True)


def test_a_brake_that_slips_when_an_operator_stops_the_run_is_said_and_no_power_comes_back(tmp_path: Path):
    """practice.md P15, P17: the stop comes before anybody has seen it slip; it stands in the end, on its buffer."""
    slips = "{kind: brake_slips, axis: lift, step: disable, speed: 100 mm/s}"
    whole = faulty(tmp_path, slips).go()
    assert whole.outcome.rule == "brake-slips"
    taken = max(record["t"] for record in whole.records("command") if (record["axis"], record["verb"]) == LIFT_OFF)
    done = interrupted(faulty(tmp_path, slips), taken // MS + 2)
    assert done.outcome.exit is Exit.OPERATOR
    (lift,) = [record for record in done.records("unproven") if record["axis"] == "lift"]
    assert (lift["energised"], lift["why"]) == (False, "its brake does not hold it without power")
    assert "its brake does not hold" in lift["next"]
    assert not done.link.machine.drives["lift"].servo.enabled


@pytest.mark.parametrize("by", ["3 mm", "8 mm", "14 mm"])
def test_one_reading_that_is_off_does_not_take_the_power_of_a_lift_in_a_stop(tmp_path: Path, by: str):
    """
    practice.md P14, P15 (common practice, no source): a lift falls until its brake has closed. Up to `tracking` and
    what it can have gone a reading is a speed, beyond that a jump: both are over with the next reading.
    """
    spike = f"{{kind: noise_spike, axis: lift, by: {by}, step: 13, after: 1020 ms}}"
    done = faulty(tmp_path, f"{{kind: foreign_stop, step: 13, after: 1 s}}\n  - {spike}").go()
    assert {fired.kind for fired in done.link.machine.fired} == {"foreign_stop", "noise_spike"}
    assert "runaway" not in {record["rule"] for record in done.records("finding")}
    assert_ended_safely(done)


def test_a_lift_that_runs_away_from_the_stop_still_loses_its_power(tmp_path: Path):
    """practice.md P14: two readings that show it are enough."""
    runaway = "{kind: runaway_after_stop, axis: lift, speed: 100 mm/s, step: 13, after: 1 s}"
    done = faulty(tmp_path, f"{runaway}\n  - {{kind: foreign_stop, step: 13, after: 1 s}}").go()
    found = [record for record in done.records("finding") if record["rule"] == "runaway"]
    assert [record["axis"] for record in found] == ["lift"]
    commands = {record["verb"] for record in done.records("command") if record["axis"] == "lift"}
    assert {"apply brake", "disable"} <= commands
    assert not done.link.machine.drives["lift"].servo.enabled


def test_an_encoder_that_only_repeats_itself_since_before_the_stop_proves_nothing(tmp_path: Path):
    """practice.md P10 (common practice, no source): however short the way is that its ramp would need."""
    frozen = "{kind: frozen_encoder, axis: lift, step: First move of the lift, after: 200 ms}"  # at 10 mm/s
    done = faulty(tmp_path, frozen).go()
    (unproven,) = done.records("unproven")
    assert unproven["axis"] == "lift"
    assert "repeats itself" in unproven["why"]
