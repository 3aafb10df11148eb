"""Speeds, ramps and profiles: what the wire can carry, alike on a pair, together at the end, at a pace."""

from fractions import Fraction as F

import pytest

from choreo.plan.model import Configure
from choreo.wire.words import Setting
from plan.bench import OPENING


def moves(step):
    return {move.axis: move for group in step.action.groups for move in group}


LEFT, RIGHT, CARRIAGE, LIFT, TABLE = range(5)


def test_a_speed_is_rounded_down_to_what_the_frame_can_say(bench):
    # The dialect's unit is 1024 counts/s; at 8192/3 counts/mm that is 0.375 mm/s. 100 mm/s are 266.67 of them.
    (step,) = bench.steps("  - move: {carriage: {to: 300 mm, speed: 100 mm/s}}\n")
    move = moves(step)[CARRIAGE]
    assert (move.speed_raw, move.speed) == (266, F("99.75"))
    assert move.profile.peak_velocity == pytest.approx(99.75)


def test_ramps_are_what_the_raw_settings_really_mean(bench):
    # 4096 counts/s^2 on the carriage are 1.5 mm/s^2; 65536 counts/s^3 are 24 mm/s^3.
    plan = bench.plan(
        "steps:\n  - configure: {carriage: {acceleration: 1000 mm/s^2, jerk: 10000 mm/s^3, torque_limit: 75.5 %}}\n"
        "  - move: {carriage: {by: 300 mm}}\n"
    )
    assert plan.steps[0].action == Configure(
        ((CARRIAGE, {Setting.ACCELERATION: 666, Setting.JERK: 416, Setting.TORQUE_LIMIT: 75}),)
    )
    move = moves(plan.steps[1])[CARRIAGE]
    assert (move.acceleration, move.jerk) == (999, 9984)


def test_settings_are_written_in_one_order_whatever_the_recipe_says(bench):
    values = "torque_limit: 90 %, quick_stop: 1000 mm/s^2, jerk: 4000 mm/s^3, speed: 50 mm/s, acceleration: 300 mm/s^2"
    plan = bench.plan(f"steps:\n  - configure: {{lift: {{{values}, following_error: 1 mm}}}}\n")
    ((_, written),) = plan.steps[0].action.values
    assert list(written) == list(Setting)


def test_a_step_without_speed_moves_as_configured_and_its_own_speed_wins(bench):
    plain, own, inner = bench.steps(
        "  - move: {carriage: {to: 1000 mm}}\n  - move: {carriage: {to: 100 mm}}\n    speed: 60 mm/s\n"
        "  - move: {carriage: {to: 500 mm, speed: 30 mm/s}}\n    speed: 60 mm/s\n"
    )
    speeds = [moves(step)[CARRIAGE].speed for step in (plain, own, inner)]
    assert speeds == [F("499.875"), 60, 30]


def test_a_pace_slows_moves_and_searches_and_leaves_ramps_alone(bench):
    """practice.md P25 (common practice, no source)."""
    body = OPENING + "  - move: {carriage: {to: 1000 mm, speed: 300 mm/s}}\n"
    full, slow = bench.plan(body), bench.plan(body, pace=F(1, 5))
    fast_move, slow_move = moves(full.steps[-1])[CARRIAGE], moves(slow.steps[-1])[CARRIAGE]
    assert (fast_move.speed, slow_move.speed) == (300, 60)
    assert (slow_move.acceleration, slow_move.jerk) == (fast_move.acceleration, fast_move.jerk)
    assert full.steps[0].action == slow.steps[0].action  # the drive's own ceiling stays
    homings = [[step.action for step in plan.steps if step.verb == "home"] for plan in (full, slow)]
    for fast_home, slow_home in zip(*homings, strict=True):
        assert slow_home.search <= fast_home.search / 5 < slow_home.search + 1
        assert (slow_home.crawl, slow_home.acceleration) == (fast_home.crawl, fast_home.acceleration)


@pytest.mark.parametrize("pace", [F(0), F(-1), F(3, 2)])
def test_a_pace_is_above_0_and_at_most_1(bench, pace):
    from choreo.plan.resolve import resolve

    plan, findings = resolve(bench.recipe("steps:\n  - dwell: 1 s\n"), pace)
    assert plan is None
    assert [finding.rule for finding in findings] == ["pace"]


def test_a_pace_too_slow_for_the_wire_is_refused(bench):
    body = OPENING + "  - move: {carriage: {to: 300 mm, speed: 0.4 mm/s}}\n"
    assert bench.found(body) == []
    assert bench.found(body, pace=F(1, 2)) == [("raw-range", "0.4 mm/s")]


def test_arrive_together_lowers_the_faster_axis(bench):
    """The carriage's 300 mm beside the beam's 600 mm: 113.7 mm/s (practice.md, demo machine; facts.md E7 (2))."""
    (step,) = bench.steps("  - move: {beam: {by: 600 mm}, carriage: {by: 300 mm}}\n    arrive: together\n")
    found = moves(step)
    assert found[LEFT].speed == found[RIGHT].speed == 250
    exact, raw_step = 113.7, 0.375
    assert exact - raw_step - 0.05 <= float(found[CARRIAGE].speed) <= exact + 0.05
    # Rounded down, so it ends with the beam or as little later as one raw step makes: 300 mm * 0.375 / 113.7^2 = 9 ms.
    late_ns = found[CARRIAGE].duration_ns - found[LEFT].duration_ns
    assert 0 <= late_ns <= 9_000_000


def test_arrive_together_raises_nothing_and_leaves_an_axis_that_stays(bench):
    (step,) = bench.steps(
        "  - move: {carriage: {by: 700 mm, speed: 90 mm/s}, lift: {by: -10 mm}, table: {by: 0 deg}}\n"
        "    arrive: together\n"
    )
    found = moves(step)
    assert found[CARRIAGE].speed == 90
    assert found[TABLE].duration_ns == 0
    assert 0 < found[LIFT].speed < 120


def test_each_stage_arrives_together_by_itself(bench):
    (step,) = bench.steps(
        "  - move: {beam: {by: 600 mm}, carriage: {by: 300 mm}, lift: {by: -300 mm}}\n    arrive: together\n"
        "    order: [lift, [beam, carriage]]\n"
    )
    found = moves(step)
    assert found[LIFT].speed == 120
    assert float(found[CARRIAGE].speed) == pytest.approx(113.7, abs=0.4)


def test_a_pair_with_unlike_scales_gets_speeds_that_mean_the_same(bench):
    """practice.md P24 (common practice, no source): both sides of a pair must come out equal."""
    bench.machine("right: {like: left, node: 12, inverted: true}", RIGHT_SIDE)
    plan = bench.plan("steps:\n  - move: {beam: {by: 10 mm, speed: 50 mm/s}}\n")
    left, right = moves(plan.steps[0]).values()
    # One raw step is 1024 / 4915.2 = 5/24 mm/s on the left and 1024 / 6553.6 = 5/32 mm/s on the right; both divide 5/8.
    assert left.speed == right.speed == 50
    assert (left.speed_raw, right.speed_raw) == (240, 320)
    slower = bench.plan("steps:\n  - move: {beam: {by: 10 mm, speed: 50.5 mm/s}}\n")
    left, right = moves(slower.steps[0]).values()
    assert left.speed == right.speed == 50


def test_a_pair_that_has_no_speed_in_common_is_refused(bench):
    bench.machine("right: {like: left, node: 12, inverted: true}", RIGHT_SIDE)
    body = "steps:\n  - move: {beam: {by: 10 mm, speed: 0.5 mm/s}}\n"
    assert bench.found(body) == [("raw-range", "0.5 mm/s")]


RIGHT_SIDE = """right: {node: 12, dialect: short_frame, unit: mm, lag: 8 ms,
          scale: {counts_per_motor_rev: 65536, gear: {motor: 1, output: 1}, travel_per_output_rev: 10 mm}}"""


def test_what_a_frame_cannot_carry_is_refused_at_the_value(bench):
    # 65,535 raw steps of 1024 counts/s on the table's 1024 counts/deg are 65,535 deg/s; the smallest is 1 deg/s.
    body = "steps:\n  - configure: {table: {speed: 60 deg/s, acceleration: 120 deg/s^2, jerk: 1200 deg/s^3}}\n"
    assert bench.found(body + "  - move: {table: {by: 1 deg, speed: 1/2 deg/s}}\n") == [("raw-range", "1/2 deg/s")]
    assert bench.found("steps:\n  - configure: {table: {jerk: 7e9 deg/s^3}}\n") == [("raw-range", "7e9 deg/s^3")]


def test_a_raw_value_that_means_something_else_is_never_used(bench):
    """practice.md P24: raw speed 0 is `no limit` in the dialect."""
    body = "steps:\n  - configure: {table: {speed: 0.99 deg/s}}\n"
    assert bench.found(body) == [("raw-range", "0.99 deg/s")]


def test_a_unit_that_does_not_fit_the_axis_is_refused_where_it_stands(bench):
    body = "steps:\n  - configure: {lift: {speed: 10 deg/s}}\n  - move: {table: {by: 5 mm, speed: 3 mm/s}}\n"
    assert sorted(bench.found(body)) == [("unit", "10 deg/s"), ("unit", "3 mm/s"), ("unit", "5 mm")]


def test_all_findings_come_in_one_refusal(bench):
    from choreo.diagnostic import Refused

    with pytest.raises(Refused) as caught:
        bench.plan("steps:\n  - move: {table: {by: 5 mm}}\n  - expect: {axis: lift, position: 5 deg, within: 1 mm}\n")
    assert [finding.rule for finding in caught.value.findings] == ["unit", "unit"]
    assert caught.value.lines


def test_a_finding_in_a_repeat_is_said_once(bench):
    body = "steps:\n  - repeat: 4\n    steps:\n      - move: {table: {by: 5 mm}}\n"
    assert bench.found(body) == [("unit", "5 mm")]


def test_where_the_wire_has_nothing_so_slow_an_axis_arrives_early(bench):
    # 0.01 deg beside a move of 2.4 s would need less than the table's smallest speed, 1 deg/s.
    (step,) = bench.steps("  - move: {beam: {by: 500 mm}, table: {by: 0.01 deg}}\n    arrive: together\n")
    found = moves(step)
    assert (found[TABLE].speed_raw, found[TABLE].speed) == (1, 1)
    assert found[TABLE].duration_ns < found[LEFT].duration_ns
