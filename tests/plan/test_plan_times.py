"""Predicted times and timeouts, against the hand-calculated times of practice.md."""

from dataclasses import replace
from fractions import Fraction as F

import pytest

from choreo.motion.profile import stopping_distance
from choreo.plan.onset import noticeable, onset_limit_ns
from choreo.plan.predict import TAIL_TIME_CONSTANTS
from choreo.plan.timeline import timeline
from choreo.units import NS_PER_S
from plan.bench import OPENING, OPENING_STEPS

MS = 1_000_000
LAG, LATCH, CYCLE, POLL = 8 * MS, 500_000, 1 * MS, 20 * MS


def seconds(ns):
    return ns / NS_PER_S


def durations(step):
    return [seconds(move.duration_ns) for group in step.action.groups for move in group]


@pytest.mark.parametrize(
    ("step", "expected"),
    [
        # practice.md, demo machine: 0.4125 + 1.9875 + 0.4125 = 2.8125 s
        ("move: {beam: {by: 600 mm}}", 2.8125),
        # practice.md, demo machine: 1.033 s alone. The drive's raw steps make 499.875 of the 500 mm/s.
        ("move: {carriage: {by: 300 mm}}", 1.033),
        # practice.md, demo machine: lift 640 to 240, 3.73 s
        ("move: {lift: {by: -400 mm}}", 3.73),
    ],
)
def test_moves_last_as_calculated_by_hand(bench, step, expected):
    (found,) = bench.steps(f"  - {step}\n")
    assert durations(found)[0] == pytest.approx(expected, abs=0.5e-3 if expected == 1.033 else 5e-3)


def test_a_cycle_of_the_test_takes_6_2_seconds(bench):
    """practice.md, demo machine: five cycles of preload, trigger, wait, dwell, return; 6.2 s each."""
    steps = bench.steps(
        "  - preload: {beam: {by: 600 mm}, carriage: {by: 300 mm}}\n    arrive: together\n"
        "  - trigger: [beam, carriage]\n  - wait_for_position: {axes: [beam, carriage], within: 0.05 mm, for: 60 ms}\n"
        "  - dwell: 250 ms\n  - move: {beam: {by: -600 mm}, carriage: {by: -300 mm}}\n    arrive: together\n"
        "    within: 0.05 mm\n    for: 60 ms\n"
    )
    assert sum(seconds(step.predicted_ns) for step in steps) == pytest.approx(6.2, abs=0.15)


def test_homing_takes_what_the_hand_calculation_says_when_its_way_is_known(bench):
    """
    practice.md, demo machine: the lift from 350 mm 10.8 s, the carriage from 400 mm 8.5 s, the beam from 500 mm 13.3 s.
    Those are rounded guesses of another sequence (back-off and crawl are not given there), so a fifth is allowed.
    """
    plan = bench.plan(
        OPENING + "  - move: {lift: {to: 350 mm}, carriage: {to: 400 mm}, beam: {to: 500 mm}}\n"
        "  - home: lift\n  - home: carriage\n  - home: beam\n"
    )
    for step, expected in zip(plan.steps[-3:], (10.8, 8.5, 13.3), strict=True):
        assert seconds(step.predicted_ns) == pytest.approx(expected, rel=0.2)


def test_before_the_first_homing_half_of_within_is_predicted_and_all_of_it_allowed(bench):
    plan = bench.plan(OPENING)
    lift = next(step for step in plan.steps if step.path == "3 (lift)")
    assert lift.predicted_ns > 350 / 40 * NS_PER_S
    assert lift.predicted_ns < (350 / 40 + 5) * NS_PER_S
    assert lift.timeout_ns > (1.5 * 700 / 40 + 1) * NS_PER_S


def test_a_motion_is_predicted_with_latch_cycle_tail_poll_and_settling(bench):
    """practice.md P31: taken = predicted + lag tail (3 to 4 tau) + latch + up to one poll period + settle."""
    (trigger, wait) = bench.steps(
        "  - preload: {carriage: {by: 300 mm}}\n  - trigger: carriage\n"
        "  - wait_for_position: {axes: carriage, within: 0.1 mm, for: 60 ms}\n"
    )[1:]
    duration_ns = trigger.action.moves[0].duration_ns
    assert TAIL_TIME_CONSTANTS == 4
    assert wait.predicted_ns == LATCH + CYCLE + duration_ns + 4 * LAG + POLL + 60 * MS


def test_a_wait_is_predicted_for_what_is_left(bench):
    steps = bench.steps(
        "  - preload: {lift: {by: -400 mm}}\n  - trigger: lift\n  - dwell: 3 s\n"
        "  - wait_for_position: {axes: lift, within: 0.1 mm, for: 60 ms}\n  - dwell: 1 s\n"
        "  - wait_for_position: {axes: lift, within: 0.1 mm, for: 60 ms}\n"
    )
    assert seconds(steps[3].predicted_ns) == pytest.approx(3.73 - 3 + 4 * 0.008 + 0.0015 + 0.02 + 0.06, abs=5e-3)
    assert steps[5].predicted_ns == POLL + 60 * MS


def test_default_timeouts_are_one_and_a_half_times_and_a_second(bench):
    """practice.md P31 (common practice, no source)."""
    steps = bench.steps("  - dwell: 2 s\n  - move: {lift: {by: -400 mm}}\n")
    assert steps[0].timeout_ns == 4 * NS_PER_S
    assert steps[1].timeout_ns == -(-steps[1].predicted_ns * 3 // 2) + NS_PER_S


def test_a_steps_own_timeout_holds_and_grows_as_the_pace_slows(bench):
    """practice.md P25: timeouts scale with the pace."""
    body = OPENING + "  - move: {lift: {by: -400 mm}}\n    timeout: 6 s\n"
    assert bench.plan(body).steps[-1].timeout_ns == 6 * NS_PER_S
    assert bench.plan(body, pace=F(1, 4)).steps[-1].timeout_ns == 24 * NS_PER_S


def test_stages_are_predicted_one_after_the_other(bench):
    together, staged = bench.steps(
        "  - move: {carriage: {by: 300 mm}, lift: {by: -400 mm}}\n"
        "  - move: {carriage: {by: -300 mm}, lift: {by: 400 mm}}\n    order: [lift, carriage]\n"
    )
    settle = 4 * 0.008 + 0.0015 + 0.02 + 0.06
    assert seconds(together.predicted_ns) == pytest.approx(3.73 + settle, abs=0.02)
    assert seconds(staged.predicted_ns) == pytest.approx(3.73 + 1.033 + 2 * settle, abs=0.04)


def test_the_brake_has_its_time(bench):
    plan = bench.plan("steps:\n  - enable: lift\n  - enable: carriage\n  - disable: lift\n  - disable: carriage\n")
    lift_on, carriage_on, lift_off, carriage_off = (step.predicted_ns for step in plan.steps)
    assert lift_on - carriage_on > 40 * MS
    assert lift_off - carriage_off > 60 * MS


def test_stopping_distances_of_the_demo_machine():
    """practice.md P13: 250 mm/s at 800 mm/s^2 takes 39 mm."""
    assert stopping_distance(250, 800, None) == pytest.approx(39, abs=0.1)


def test_onset_of_a_heavy_beam_is_seen_after_42_ms_of_profile(bench):
    """
    practice.md P5: a heavy beam at 8000 mm/s^3 needs 42 ms to 0.1 mm; a profile stretched in time to a fifth of the
    pace would need 211 ms (jerk / 125), and one whose speed alone is scaled still 42 (P25).
    """
    from choreo.motion.profile import double_s, time_to_travel

    full, slow = double_s(600, 250, 800, 8000), double_s(600, 50, 800, 8000)
    stretched = double_s(600, 250 / 5, 800 / 25, 8000 / 125)
    times = [time_to_travel(profile, 0.1) for profile in (full, slow, stretched)]
    assert times == pytest.approx([0.042, 0.042, 0.211], abs=0.5e-3)
    (step,) = bench.steps("  - move: {beam: {by: 600 mm}}\n")
    (move, _) = step.action.groups[0]
    rest = move.onset_ns - times[0] * NS_PER_S
    # lag, latch, cycle, two polls, the worst response, and at most 50 ms for breaking away
    least = LAG + LATCH + CYCLE + 2 * POLL
    assert least + 5 * MS < rest < least + 75 * MS


def test_a_move_too_small_to_be_seen_has_no_onset(bench):
    small, large = bench.steps("  - move: {carriage: {by: 0.15 mm}}\n  - move: {carriage: {by: 5 mm}}\n")
    assert small.action.groups[0][0].onset_ns is None
    assert large.action.groups[0][0].onset_ns > 0


@pytest.mark.parametrize(
    ("unit", "scale", "noise", "threshold"),
    [
        ("mm", F(1000), 2, F(1, 10)),
        ("mm", F(-10), 5, 2),
        ("deg", F(1000), 2, F(1, 10)),
        ("rev", F(10**6), 2, F(1, 3600)),
    ],
)
def test_the_threshold_is_above_the_noise_and_small_in_its_unit(bench, unit, scale, noise, threshold):
    axis = bench.plan("steps:\n  - dwell: 1 s\n").axes[0]
    assert noticeable(replace(axis, unit=unit, counts_per_unit=scale, noise_counts=noise)) == threshold


def test_the_onset_limit_adds_up(bench):
    from choreo.motion.profile import double_s
    from choreo.plan.onset import BREAKAWAY_NS
    from choreo.wire.described import shipped

    found = onset_limit_ns(
        double_s(100, 50, 200, 2000), F(1, 10), shipped("short_frame").timing, lag_ns=3, poll_ns=5, reply_ns=7
    )
    # 0.1 mm at 2000 mm/s^3: (6 * 0.1 / 2000)^(1/3) = 66.943 ms
    assert found - (LATCH + CYCLE + BREAKAWAY_NS + 3 + 2 * 5 + 7) == pytest.approx(66.943 * MS, abs=1000)


def test_the_timeline_lays_steps_and_motions_out(bench):
    plan = bench.plan(
        OPENING + "  - preload: {carriage: {to: 302 mm}}\n  - trigger: carriage\n  - dwell: 2 s\n"
        "  - move: {lift: {to: 248 mm}, carriage: {to: 2 mm}}\n    order: [lift, carriage]\n"
        "closing:\n  - disable: all\n"
    )
    line = timeline(plan)
    assert [entry.step.id for entry in line.steps] == list(range(len(plan.steps) + 1))
    assert all(a.end_ns == b.begin_ns for a, b in zip(line.steps, line.steps[1:], strict=False))
    assert line.end_ns == sum(step.predicted_ns for step in (*plan.steps, *plan.closing))
    carriage, lift = 2, 3
    start = line.steps[OPENING_STEPS + 1].end_ns + LATCH  # behind the trigger
    assert line.position(carriage, start).offset == 2
    assert line.position(carriage, start + 1033 * MS // 2).offset == pytest.approx(
        152, abs=0.5
    )  # half way at half time
    assert line.position(carriage, start + 1040 * MS) == ("home", 302)
    staged = line.steps[OPENING_STEPS + 3]
    lift_way, carriage_back = line.motions[lift][-1], line.motions[carriage][-1]
    assert staged.begin_ns < lift_way.begin_ns < lift_way.end_ns < carriage_back.begin_ns < staged.end_ns
    assert line.position(lift, line.end_ns) == ("home", 248)


def test_on_its_way_home_nobody_knows_where_an_axis_is(bench):
    line = timeline(bench.plan(OPENING))
    homing = line.motions[3][0]
    assert line.position(3, homing.begin_ns - 1) == ("start", 0)
    assert line.position(3, homing.begin_ns + 1) is None
    assert line.position(3, homing.end_ns) == ("home", 648)
