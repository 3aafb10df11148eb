"""
Inputs and outputs in whole runs on the simulated gantry, whose truth says what each input really reads.

The gantry's truth (sim/machines/kiln_gantry.yaml) has a feeler that touches a shelf from 700 mm of the carriage on, an
end rail from 1500 mm of the beam on, a clamp that closes 120 ms after its output, and a guard that is shut.
"""

import json
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from choreo.api import simulation_request
from choreo.errors import Exit
from choreo.journal.records import deviations
from choreo.wire.words import MOTION, FrameClass
from tests.run.machine import GANTRY, Done, Rehearsal, assert_ended_safely, assert_truly_stands

MS = 1_000_000
SECOND = 1000 * MS
SHELF, END_RAIL = 700.0, 1500.0
POLL_S = 0.02  # the gantry is polled at 50 Hz
REPLY_S = 0.003  # short_frame: `reply_within`

DECLARED = """\
choreo: 1
title: inputs
machine: machine.yaml
inputs:
  guard_closed: {axis: lift, input: 3, active: low, debounce: 20 ms}
  shelf_seen: {axis: carriage, input: input_1}
  end_rail: {axis: beam_left, input: input_1}
  clamped: {axis: carriage, input: input_2}
outputs:
  clamp: {axis: carriage, output: 1}
"""
SETTINGS = """\
  - configure:
      beam: {speed: 250 mm/s, acceleration: 800 mm/s^2, jerk: 8000 mm/s^3, quick_stop: 3000 mm/s^2}
      carriage: {speed: 300 mm/s, acceleration: 1500 mm/s^2, jerk: 15000 mm/s^3, quick_stop: 4000 mm/s^2}
      lift: {speed: 120 mm/s, acceleration: 400 mm/s^2, jerk: 4000 mm/s^3, quick_stop: 1500 mm/s^2}
"""
READY = SETTINGS + "  - enable: all\n  - home: carriage\n"
GUARDED = "interlocks: [guard_closed]\n"
CLOSING = "closing:\n  - disable: all\n"


@pytest.fixture(autouse=True)
def journals_as_the_table_says(monkeypatch):
    """Every journal of these runs holds what the table of records says, and nothing else."""
    go = Rehearsal.go

    def checked(self: Rehearsal) -> Done:
        done = go(self)
        for line in done.journal.splitlines():
            if line.startswith("{"):
                fields = json.loads(line)
                kind, _ = fields.pop("k"), fields.pop("t")
                assert deviations(kind, fields) == []
        return done

    monkeypatch.setattr(Rehearsal, "go", checked)


@pytest.fixture
def rehearsal(tmp_path: Path) -> Callable[[str, str], Rehearsal]:
    """A rehearsal of steps on the gantry, with what else stands in the recipe before them."""

    def make(steps: str, more: str = "") -> Rehearsal:
        shutil.copy(GANTRY / "machine.yaml", tmp_path)
        path = tmp_path / "recipe.yaml"
        path.write_text(f"{DECLARED}{more}steps:\n{steps}{CLOSING}", encoding="utf-8")
        return Rehearsal(path)

    return make


def when(rehearsal: Rehearsal, label: str, after_ns: int, do: Callable[[], None]) -> None:
    """Do something to the machine so long after a step begins."""
    link = rehearsal.link
    begins = link.machine.step_begins

    def hear(path: str, named: str, verb: str) -> None:
        begins(path, named, verb)
        if named == label:
            link.kernel.at(link.kernel.now_ns + after_ns, lambda _: do())

    link.machine.step_begins = hear


def guard_opens(rehearsal: Rehearsal) -> None:
    rehearsal.link.machine.drives["lift"].inputs.force("input_3", True)


def guard_shuts(rehearsal: Rehearsal) -> None:
    rehearsal.link.machine.drives["lift"].inputs.release("input_3")


def quick_stops(done: Done) -> list[int]:
    """Times of the broadcast quick stop: identifier 0x020, data 62 (the dialect file)."""
    return [t_ns for t_ns, frame in done.sent if frame.id == 0x020 and frame.data == b"\x62"]


# ---- wait_for, move_until, set_output ------------------------------------------------------------------------------


def test_the_shipped_recipe_finds_the_shelf_where_it_is():
    """The place lies within what poll period times speed, the reply and the debounce (none here) leave open."""
    done = Rehearsal(GANTRY / "find_shelf.yaml").go()
    assert done.outcome.exit is Exit.DONE, done.outcome.headline
    quick, slow = done.records("until")
    for found, speed in ((quick, 60.0), (slow, 5.0)):
        assert found["reached"]
        lag = speed * 0.002  # the carriage follows its demand 2 ms late
        assert found["seen"] - found["give"] - 0.01 <= SHELF <= found["seen"] + lag + 0.01
        assert found["give"] <= speed * (POLL_S + 2 * REPLY_S)
        assert found["rest"] >= found["seen"] - 0.01
    assert abs(slow["rest"] - SHELF) < 0.4 < abs(quick["rest"] - SHELF)
    assert [wait["level"] for wait in done.records("awaited")] == ["on", "off"]
    for wait in done.records("awaited"):  # the clamp takes 120 ms from its output, which was switched just before
        assert 0.1 * SECOND < wait["after_ns"] < (0.12 + POLL_S + 2 * REPLY_S) * SECOND
    assert [record["level"] for record in done.records("output")] == ["on", "off"]


def test_a_by_after_the_input_counts_from_where_the_axis_came_to_rest():
    done = Rehearsal(GANTRY / "find_shelf.yaml").go()
    quick = done.records("until")[0]
    back = next(move for move in done.records("move") if move["axis"] == "carriage" and move["t"] > quick["t"])
    per_mm = 8192 / 3  # practice.md, the demo machine: carriage
    assert back["from_counts"] == pytest.approx(quick["rest"] * per_mm, abs=2)
    assert back["target_counts"] - back["from_counts"] == pytest.approx(-10 * per_mm, abs=2)


def test_an_input_ends_a_move_without_a_second_motion_frame(rehearsal):
    """
    Practice.md P6, P13 (common practice, no source): one load, one start, then nothing but stops until the axis stands.
    """
    steps = (
        READY + "  - move_until: {carriage: {by: 800 mm}, until: {input: shelf_seen, is: on}}\n    speed: 100 mm/s\n"
    )
    done = rehearsal(steps).go()
    assert done.outcome.exit is Exit.DONE, done.outcome.headline
    number = next(step.id for step in done.plan.steps if step.verb == "move_until")
    start_ns = done.link.kernel.now_ns - done.records("end")[0]["t"]
    (begin,) = [record["t"] for record in done.records("step_begin") if record["step"] == number]
    (end,) = [record["t"] for record in done.records("step_end") if record["step"] == number]
    inside = [kind for t_ns, kind, _ in done.classes() if begin <= t_ns - start_ns <= end]
    assert [kind for kind in inside if kind in MOTION] == [FrameClass.LOADS, FrameClass.STARTS]
    assert FrameClass.STOPS in inside
    assert inside.index(FrameClass.STOPS) > inside.index(FrameClass.STARTS)


def test_a_pair_is_stopped_by_one_frame_and_stays_square(rehearsal):
    """Practice.md P9 (common practice, no source): the trip skew of the gantry's beam is 1.5 mm."""
    steps = SETTINGS + "  - enable: all\n  - home: beam\n  - move: {beam: {to: 1300 mm}}\n"
    steps += "  - move_until: {beam: {to: 1800 mm}, until: {input: end_rail, is: on}}\n    speed: 200 mm/s\n"
    steps += "  - move: {beam: {by: -100 mm}}\n    label: back\n"
    run = rehearsal(steps)
    skews: list[float] = []
    when(run, "back", 0, lambda: skews.append(run.link.machine.skew("beam")))
    done = run.go()
    assert done.outcome.exit is Exit.DONE, done.outcome.headline
    left, right = done.records("until")
    assert left["axis"] == "beam_left"
    assert left["seen"] - left["give"] - 2 <= END_RAIL <= left["seen"] + 2  # the lag of 8 ms is 1.6 mm at 200 mm/s
    assert abs(left["rest"] - right["rest"]) < 1.5
    assert abs(skews[0]) < 1.5
    broadcast = [t_ns for t_ns, frame in done.sent if frame.id == 0x020 and frame.data == b"\x61"]
    assert len(broadcast) == 1
    back = [move for move in done.records("move") if move["t"] > left["t"]]
    assert len(back) == 2
    ends = [move["target_counts"] / scale for move, scale in zip(back, (4915.2, -4915.2), strict=True)]
    assert ends[0] == pytest.approx(ends[1], abs=0.001)  # both sides to one place: what the stop racked is squared


def test_a_way_that_ends_without_the_input_fails(rehearsal):
    steps = READY + "  - move_until: {carriage: {by: 300 mm}, until: {input: shelf_seen, is: on}}\n"
    done = rehearsal(steps).go()
    assert (done.outcome.exit, done.outcome.rule) == (Exit.EXPECTATION, "until-not-reached")
    assert "shelf_seen did not come on on the way of carriage" in done.outcome.headline
    (found,) = done.records("until")
    assert (found["reached"], found["seen"], found["give"]) == (False, None, None)
    assert found["rest"] == pytest.approx(302, abs=0.05)  # homed, it rests at 2 mm
    assert_ended_safely(done)
    assert not quick_stops(done)  # nothing is wrong with the machine: a controlled stop is enough (practice.md P14)


def test_an_input_that_reads_so_already_is_found_before_anything_is_loaded(rehearsal):
    steps = READY + "  - move_until: {carriage: {by: 300 mm}, until: {input: shelf_seen, is: on}}\n    label: feel\n"
    run = rehearsal(steps)
    run.link.machine.drives["carriage"].inputs.force("input_1", True)
    done = run.go()
    assert (done.outcome.exit, done.outcome.rule) == (Exit.EXPECTATION, "until-already")
    assert done.outcome.step is not None
    assert done.outcome.step.label == "feel"
    assert not done.records("until")
    assert_ended_safely(done)


def test_an_input_that_is_found_elsewhere_fails(rehearsal):
    until = "until: {input: shelf_seen, is: on}, between: [500 mm, 600 mm]"
    steps = READY + f"  - move_until: {{carriage: {{by: 800 mm}}, {until}}}\n    speed: 50 mm/s\n"
    done = rehearsal(steps).go()
    assert (done.outcome.exit, done.outcome.rule) == (Exit.EXPECTATION, "until-elsewhere")
    assert "expected between 500 and 600 mm" in done.outcome.headline
    assert_ended_safely(done)


def test_before_home_a_move_until_counts_from_where_the_axis_was_found(rehearsal):
    """The carriage is found at 400 mm: the feeler touches after 300 mm (practice.md P21: unhomed limits hold)."""
    steps = SETTINGS + "  - enable: all\n"
    steps += "  - move_until: {carriage: {by: 500 mm}, until: {input: shelf_seen, is: on}}\n    speed: 40 mm/s\n"
    done = rehearsal(steps).go()
    assert done.outcome.exit is Exit.DONE, done.outcome.headline
    (found,) = done.records("until")
    assert found["seen"] - found["give"] - 0.1 <= 300 <= found["seen"] + 0.1


def test_a_wait_ends_with_its_own_timeout(rehearsal):
    steps = "  - wait_for: {input: clamped, is: on}\n    timeout: 400 ms\n    label: the clamp\n"
    done = rehearsal(steps).go()
    assert (done.outcome.exit, done.outcome.rule) == (Exit.STOPPED, "time-limit")
    assert "the clamp" in done.outcome.headline
    assert "400 ms" in done.outcome.headline
    assert_ended_safely(done)


# ---- interlocks ----------------------------------------------------------------------------------------------------


def test_an_interlock_lost_in_motion_stops_everything_quickly(rehearsal):
    """
    Practice.md P14 (common practice, no source): a quick stop of all. Two readings 20 ms apart show that the loss has
    lasted for its debounce of 20 ms; poll phase, debounce and replies bound how long that takes.
    """
    run = rehearsal(READY + "  - move: {carriage: {to: 1200 mm}}\n    label: across\n", GUARDED)
    lost: list[int] = []

    def open_it() -> None:
        guard_opens(run)
        lost.append(run.link.kernel.now_ns)

    when(run, "across", SECOND, open_it)
    done = run.go()
    assert (done.outcome.exit, done.outcome.rule, done.outcome.axis) == (Exit.STOPPED, "interlock", "lift")
    assert "guard_closed (input_3 of lift) was lost in step 4, across" in done.outcome.headline
    assert done.outcome.step is not None
    assert done.outcome.step.label == "across"
    first = quick_stops(done)[0]
    assert (first - lost[0]) / SECOND <= 2 * POLL_S + POLL_S + 2 * REPLY_S
    assert [record["level"] for record in done.records("input") if record["name"] == "guard_closed"] == ["on", "off"]
    assert_ended_safely(done)


def test_a_flicker_shorter_than_the_debounce_stops_nothing(rehearsal):
    run = rehearsal(READY + "  - move: {carriage: {to: 1200 mm}}\n    label: across\n", GUARDED)
    for at in range(10):  # whatever its phase to the polls, no two of them see it
        when(run, "across", (500 + 137 * at) * MS, lambda: guard_opens(run))
        when(run, "across", (500 + 137 * at + 12) * MS, lambda: guard_shuts(run))
    done = run.go()
    assert done.outcome.exit is Exit.DONE, done.outcome.headline


def test_while_nothing_can_move_a_guard_may_be_open(rehearsal):
    run = rehearsal("  - dwell: 1 s\n    label: open\n" + READY, GUARDED)
    when(run, "open", 200 * MS, lambda: guard_opens(run))
    when(run, "open", 600 * MS, lambda: guard_shuts(run))
    done = run.go()
    assert done.outcome.exit is Exit.DONE, done.outcome.headline
    assert [record["level"] for record in done.records("input")] == ["on", "off", "on"]


def test_with_an_open_guard_nothing_is_put_under_power(rehearsal):
    run = rehearsal(READY, GUARDED)
    guard_opens(run)
    done = run.go()
    assert (done.outcome.exit, done.outcome.rule) == (Exit.STOPPED, "interlock")
    assert "is off: nothing may move in step 2" in done.outcome.headline
    assert not [kind for _, kind, _ in done.classes() if kind in MOTION]


def test_an_interlock_on_a_drive_that_falls_silent_is_no_interlock_any_more(rehearsal):
    """Practice.md P10 (common practice, no source): what proves nothing is not counted."""
    run = rehearsal(READY + "  - move: {carriage: {to: 1200 mm}}\n    label: across\n", GUARDED)

    class Silence:
        def __getattr__(self, name: str):
            return {"hears": lambda message: False, "says": lambda message: False}.get(name, lambda *given: None)

    when(run, "across", SECOND, lambda: run.link.machine.drives["lift"].behaviours.append(Silence()))
    done = run.go()
    assert done.outcome.exit is Exit.STOPPED
    assert done.outcome.rule in ("node-silent", "interlock")
    assert done.records("input")[-1]["level"] == "unknown"
    assert done.outcome.axis == "lift"


def test_what_is_required_is_looked_at_before_anything_can_move(rehearsal):
    run = rehearsal(READY, "requires: {inputs: {guard_closed: on, shelf_seen: off}}\n")
    guard_opens(run)
    done = run.go()
    assert (done.outcome.exit, done.outcome.rule) == (Exit.EXPECTATION, "requires")
    assert "guard_closed (input_3 of lift) is off; the recipe requires that it is on" in done.outcome.headline
    assert not [kind for _, kind, _ in done.classes() if kind in MOTION]


def test_what_is_required_may_change_afterwards(rehearsal):
    run = rehearsal(READY + "  - dwell: 100 ms\n", "requires: {inputs: {guard_closed: on, shelf_seen: off}}\n")
    run.link.kernel.at(SECOND, lambda _: guard_opens(run))
    assert run.go().outcome.exit is Exit.DONE


# ---- after a failure -----------------------------------------------------------------------------------------------


def test_after_a_failure_outputs_stay_as_they_are_and_the_record_says_so(rehearsal):
    """Practice.md P17 (common practice, no source): the record says how all was left; nothing is done unasked."""
    steps = READY + "  - set_output: {clamp: on}\n  - dwell: 2 s\n    label: hold\n  - set_output: {clamp: off}\n"
    run = rehearsal(steps, GUARDED)
    when(run, "hold", SECOND, lambda: guard_opens(run))
    done = run.go()
    assert (done.outcome.exit, done.outcome.rule) == (Exit.STOPPED, "interlock")
    assert done.link.machine.drives["carriage"].inputs.output(1) is True
    switched = [t_ns for t_ns, kind, _ in done.classes() if kind is FrameClass.SWITCHES]
    assert len(switched) == 1
    left = {record["axis"]: record.get("outputs") for record in done.records("at_rest")}
    assert left == {"beam_left": None, "beam_right": None, "carriage": {"clamp": "on"}, "lift": None}


# ---- on a nominal machine ------------------------------------------------------------------------------------------

NOMINAL = """\
choreo: 1
title: feel
bus: {bit_rate: 500 kbit/s, poll: 5 Hz}
axes:
  x: {node: 11, dialect: ./telling.yaml, unit: mm, noise: 2 counts, lag: 2 ms,
      scale: {counts_per_motor_rev: 65536, gear: {motor: 8, output: 1}, travel_per_output_rev: 192 mm}}
limits:
  all: {travel: [0 mm, 1000 mm], speed: 500 mm/s, acceleration: 1500 mm/s^2, jerk: 15000 mm/s^3,
        quick_stop: 4000 mm/s^2, tracking: 80 mm}
unhomed:
  all: {speed: 80 mm/s, distance: 1400 mm}
inputs:
  guard: {axis: x, input: input_3, active: low}
  probe: {axis: x, input: input_1}
interlocks: [guard]
steps:
  - configure: {all: {speed: 250 mm/s, acceleration: 1500 mm/s^2, jerk: 15000 mm/s^3, quick_stop: 4000 mm/s^2}}
  - enable: all
  - wait_for: {input: probe, is: on}
    timeout: 2 s
  - wait_for: {input: probe, is: off}
    timeout: 2 s
  - move_until: {x: {by: 200 mm}, until: {input: probe, is: on}}
    speed: 40 mm/s
    label: feel
closing:
  - disable: all
"""


@pytest.fixture
def telling(tmp_path: Path) -> Rehearsal:
    """A nominal machine whose drives tell changes of their inputs unasked, polled every 200 ms only."""
    from choreo.link.simulated import open_simulated
    from choreo.wire.described import shipped_file
    from tests.run.machine import plan_of

    text = shipped_file("short_frame").read_text(encoding="utf-8").replace("name: short_frame", "name: telling")
    bits = "[negative_limit, positive_limit, home_switch, input_1, input_2, input_3, input_4, input_5]"
    event = f"  inputs: {{on: event, payload: [{{constant: 0xF2}}, {{bits: {bits}}}]}}\n"
    (tmp_path / "telling.yaml").write_text(text.replace("events:\n", "events:\n" + event), encoding="utf-8")
    path = tmp_path / "recipe.yaml"
    path.write_text(NOMINAL, encoding="utf-8")
    run = Rehearsal.__new__(Rehearsal)
    run.plan, run.sent, run.seed = plan_of(path), [], 0
    run.link = open_simulated(simulation_request(run.plan))
    run.link.bus.taps.append(run._tap)
    return run


def test_what_a_drive_tells_unasked_is_taken_at_once(telling):
    """The probe comes half of the way along: 100 mm. Polls alone would find it up to 8 mm later (200 ms at 40 mm/s)."""
    done = telling.go()
    assert done.outcome.exit is Exit.DONE, done.outcome.headline
    (found,) = done.records("until")
    assert found["seen"] == pytest.approx(100, abs=0.5)
    assert [wait["level"] for wait in done.records("awaited")] == ["on", "off"]
    assert_truly_stands(done, "x")


def test_an_interlock_that_a_drive_tells_unasked_stops_at_once(telling):
    lost: list[int] = []

    def open_it() -> None:
        telling.link.machine.drives["x"].inputs.force("input_3", True)
        lost.append(telling.link.kernel.now_ns)

    when(telling, "feel", SECOND, open_it)
    done = telling.go()
    assert (done.outcome.exit, done.outcome.rule) == (Exit.STOPPED, "interlock")
    assert quick_stops(done)[0] - lost[0] < 10 * MS
    assert_ended_safely(done)
