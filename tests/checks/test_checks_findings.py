"""What the rules say, where they point, and the numbers that they count with."""

from fractions import Fraction as F
from math import sqrt

import pytest

from checks.bench import ALL
from choreo.checks.rules.pair_reaction import fastest, skew_reached
from choreo.wire.line import LENGTHS, longest_line

MOVE = "steps:\n  - move: "

#: Rule, piece, the marked text, the other marked texts, what the headline must say.
CASES = [
    (
        "speed-limit",
        "steps:\n  - preload: {lift: {to: 300 mm}}\n    speed: 0.18 m/s\n  - trigger: lift\n",
        "0.18 m/s",
        ["120 mm/s"],
        ["lift would move at 180 mm/s", "limit of 120 mm/s"],
    ),
    (
        "speed-limit",
        "positions:\n  park: {lift: 300 mm}\nsteps:\n  - move: {to: park}\n    speed: 130 mm/s\n",
        "130 mm/s",
        ["120 mm/s"],
        ["lift would move at 130 mm/s"],
    ),
    (
        "speed-limit",
        "steps:\n  - configure: {lift: {speed: 130 mm/s}}\n",
        "130 mm/s",
        ["120 mm/s"],
        ["130 mm/s", "120 mm/s"],
    ),
    (
        "ramp-limit",
        "steps:\n  - configure: {beam: {quick_stop: 3.5 m/s^2}}\n",
        "3.5 m/s^2",
        ["3000 mm/s^2"],
        ["beam", "quick stop of 3500 mm/s^2", "3000 mm/s^2"],
    ),
    (
        "travel",
        MOVE + "{carriage: {to: -1 mm}}\n",
        "-1 mm",
        ["0 mm"],
        ["carriage would end at -1 mm", "1 mm beyond its travel of 0 mm to 1300 mm"],
    ),
    (
        "travel",
        "homing:\n  carriage: {rest_at: -1 mm, home_at: -20 mm}\n",
        "-1 mm",
        ["0 mm"],
        ["carriage would end at -1 mm", "homing"],
    ),
    (
        "travel",
        "steps:\n  - repeat: 5\n    steps:\n      - move: {carriage: {by: 300 mm}}\n",
        "300 mm",
        ["1300 mm"],
        ["would end at 1502 mm", "step 4.1 (5 of 5)"],
    ),
    (
        "unhomed-limit",
        "homing:\n  carriage: {within: 1500 mm}\n",
        "1500 mm",
        ["1400 mm"],
        ["carriage", "1500 mm", "1400 mm"],
    ),
    (
        "unhomed-limit",
        "homing:\n  lift: {search: 50 mm/s}\n",
        "50 mm/s",
        ["40 mm/s"],
        ["lift", "40 mm/s"],
    ),
    (
        "not-enabled",
        MOVE + "{lift: {to: 300 mm}}\n  - disable: lift\n  - home: lift\n",
        "home",
        ["disable"],
        ["lift would be homed in step 6", "disabled"],
    ),
    (
        "load-set",
        "steps:\n  - preload: {carriage: {by: 3 mm}}\n  - trigger: [carriage, lift]\n",
        "lift",
        [],
        ["names lift", "holds no load"],
    ),
    (
        "load-set",
        "steps:\n  - preload: {carriage: {by: 3 mm}}\n  - move: {lift: {to: 300 mm}}\n  - trigger: carriage\n",
        "move",
        ["3 mm"],
        ["this move in step 5 would also start carriage"],
    ),
    (
        "load-set",
        "steps:\n  - preload: {carriage: {by: 3 mm}}\n  - home: carriage\n  - trigger: carriage\n",
        "home",
        ["3 mm"],
        ["carriage would be homed in step 5 while it holds a load"],
    ),
    (
        "load-set",
        "steps:\n  - preload: {carriage: {by: 3 mm}}\n  - home: lift\n  - trigger: carriage\n",
        "home",
        ["3 mm"],
        ["this homing in step 5 would also start carriage"],
    ),
    (
        "on-its-way",
        "steps:\n  - preload: {carriage: {by: 3 mm}}\n  - trigger: carriage\n  - dwell: 9 s\n  - home: carriage\n",
        "home",
        ["trigger"],
        ["carriage would be homed in step 7"],
    ),
    (
        "on-its-way",
        "steps:\n  - preload: {carriage: {by: 3 mm}}\n  - trigger: carriage\n"
        "  - configure: {carriage: {speed: 9 mm/s}}\n",
        "configure",
        ["trigger"],
        ["carriage would be configured in step 6"],
    ),
    (
        "on-its-way",
        "steps:\n  - preload: {carriage: {by: 3 mm}, lift: {by: -3 mm}}\n  - trigger: [carriage, lift]\n"
        "  - wait_for_position: {axes: carriage, within: 1 mm, for: 60 ms}\n  - disable: [lift, carriage]\n",
        "disable",
        ["trigger"],
        ["lift would be disabled in step 7"],
    ),
    (
        "wait-without-move",
        "# from the start\nsteps:\n  - wait_for_position: {axes: beam, within: 1 mm, for: 60 ms}\n",
        "beam",
        [],
        ["waits for beam, which has not been told to move"],
    ),
    (
        "pair-together",
        MOVE + "{beam_left: {to: 300 mm}, beam_right: {to: 301 mm}}\n",
        "300 mm",
        ["301 mm"],
        ["beam would be racked", "beam_left goes 298 mm and beam_right 299 mm"],
    ),
    (
        "pair-together",
        MOVE + "{beam_left: {to: 300 mm, speed: 30 mm/s}, beam_right: {to: 300 mm, speed: 40 mm/s}}\n",
        "300 mm",
        ["300 mm"],
        ["moves at 30 mm/s and beam_right 40 mm/s"],
    ),
    (
        "pair-together",
        "steps:\n  - configure: {beam_left: {acceleration: 500 mm/s^2}}\n  - move: {beam: {to: 300 mm}}\n",
        "300 mm",
        [],
        ["accelerates at 500 mm/s^2 and beam_right 800 mm/s^2"],
    ),
    (
        "pair-together",
        "steps:\n  - configure: {beam_left: {quick_stop: 2900 mm/s^2}}\n  - move: {beam: {to: 300 mm}}\n",
        "300 mm",
        [],
        ["beam_left stops at 2900 mm/s^2 and beam_right 3000 mm/s^2"],
    ),
    (
        "pair-together",
        "steps:\n  - configure: {beam_right: {acceleration: 500 mm/s^2}}\n  - home: beam\n",
        "home",
        [],
        ["while it is homed in step 5", "beam_left accelerates at 800 mm/s^2 and beam_right 500 mm/s^2"],
    ),
    (
        "pair-together",
        "steps:\n  - preload: {beam_right: {by: 3 mm}}\n  - trigger: beam_right\n",
        "3 mm",
        [],
        ["beam_right moves and beam_left does not"],
    ),
    (
        "pair-reaction",
        "steps:\n  - configure: {beam: {quick_stop: 1000 mm/s^2}}\n  - move: {beam: {to: 1000 mm}}\n",
        "250 mm/s",
        ["20 mm"],
        ["beam could be racked by", "when one side stalls at 250 mm/s", "structural skew is 20 mm"],
    ),
    (
        "home-needed",
        "# from the start\nsteps:\n  - expect: {axis: lift, position: 640 mm, within: 1 mm}\n",
        "640 mm",
        [],
        ["lift is expected at a position", "has not been homed"],
    ),
    (
        "square-limit",
        "homing:\n  beam: {home_at: {beam_left: -11 mm, beam_right: -6.5 mm}}\n",
        "3 mm",
        ["-11 mm", "-6.5 mm"],
        ["switch edges of beam lie 4.5 mm apart", "3 mm only"],
    ),
    (
        "home-gap",
        "homing:\n  carriage: {rest_at: 0 mm, home_at: -2 mm}\n",
        "0 mm",
        ["-2 mm"],
        ["carriage rests 2 mm from the edge"],
    ),
    (
        "vertical-brake",
        "axes:\n  lift: {load: vertical}\n",
        "lift",
        [],
        ["lift carries a vertical load and has no brake"],
    ),
    (
        "left-enabled",
        "closing:\n  - disable: [beam, carriage]\n",
        "disable",
        [],
        ["lift would be left under power"],
    ),
    (
        "window-below-noise",
        "axes:\n  lift: {noise: 700 counts}\nsteps:\n"
        "  - move: {lift: {to: 300 mm}}\n  - expect: {axis: lift, position: 300 mm, within: 0.1 mm}\n",
        "0.1 mm",
        ["700 counts"],
        ["within 0.1 mm", "0.1068 mm"],  # 700 counts at 6553.6 counts/mm
    ),
    (
        "bus-load",
        "bus: {bit_rate: 125 kbit/s, poll: 200 Hz}\n",
        "200 Hz",
        ["125 kbit/s"],
        ["polling 4 axes at 200 Hz needs 136000 bit/s", "carries 125000 bit/s"],  # 4 * (65 + 105) * 200, facts.md A4
    ),
    (
        "bus-busy",
        "bus: {bit_rate: 125 kbit/s, poll: 100 Hz}\n",
        "100 Hz",
        ["125 kbit/s"],
        ["54 %", "68000 bit/s"],
    ),
    (
        "motor-speed",
        "axes:\n  lift: {scale: {travel_per_output_rev: 1 mm}}\n",
        "120 mm/s",
        ["1"],
        ["7200 rev/min", "6000 rev/min"],  # 120 mm/s on a lead of 1 mm
    ),
    (
        "position-range",
        "axes:\n  lift: {dialect: ./narrow.yaml}\n",
        "650 mm",
        ["./narrow.yaml"],
        ["lift at 650 mm is at 4259840 counts", "-32768 to 32767"],
    ),
    (
        "dialect-loads",
        "axes:\n  lift: {dialect: ./queueing.yaml}\nsteps:\n  - preload: {lift: {by: -3 mm}}\n  - trigger: lift\n",
        "-3 mm",
        ["./queueing.yaml"],
        ["a second load queues behind the first and clear_load clears none"],
    ),
    (
        "timeout-too-short",
        "steps:\n  - link_check: {axes: all, exchanges: 300}\n    timeout: 100 ms\n",
        "100 ms",
        [],
        ["its timeout is 100 ms"],
    ),
    (
        "tracking-timing",
        "limits:\n  lift: {tracking: 0.1 mm}\nsteps:\n  - move: {lift: {to: 300 mm, speed: 100 mm/s}}\n",
        "0.1 mm",
        ["100 mm/s"],
        ["lift has a tracking limit of 0.1 mm", "100 mm/s"],
    ),
    (
        "closing-moves",
        "closing:\n  - home: lift\n  - disable: all\n",
        "home",
        [],
        ["closing 1 is a `home`"],
    ),
]


@pytest.mark.parametrize(("rule", "piece", "primary", "others", "says"), CASES)
def test_a_finding_says_both_numbers_and_points_at_both_places(bench, rule, piece, primary, others, says):
    found = bench.of(rule, piece)
    assert found, "nothing was found"
    finding = found[0]
    for part in says:
        assert part in finding.headline
    assert bench.marked(finding.primary) == primary
    assert [bench.marked(mark) for mark in finding.others] == others
    assert finding.level is ALL[rule].LEVEL


@pytest.mark.parametrize(
    ("speed", "skew"),
    [(250, 18.2), (400, 38)],
    ids=["250 mm/s passes", "400 mm/s is refused"],
)
def test_the_worked_numbers_of_a_stalled_side(speed, skew):
    """practice.md, demo machine: 50 Hz, 5 ms response, 3000 mm/s^2: 18.2 mm at 250 mm/s, 38 mm at 400 mm/s; P9."""
    found = skew_reached(speed, trip=1.5, blind_s=0.025, deceleration=3000)
    assert found == pytest.approx(skew, abs=0.25)
    assert (found < 20) is (speed == 250)


def test_the_parts_of_the_worked_numbers():
    """practice.md: 6 ms to the trip + 25 ms is 7.75 mm, + 10.4 mm of ramp; at 400 mm/s 11.5 + 26.7."""
    assert skew_reached(250, 1.5, 0.025, 1e12) == pytest.approx(7.75, abs=0.01)
    assert skew_reached(250, 0, 0, 3000) == pytest.approx(10.4, abs=0.05)
    assert skew_reached(400, 1.5, 0.025, 1e12) == pytest.approx(11.5, abs=0.01)
    assert skew_reached(400, 0, 0, 3000) == pytest.approx(26.7, abs=0.05)


@pytest.mark.parametrize(("structural", "trip", "blind", "ramp"), [(20, 1.5, 0.025, 3000), (5, 1, 0.1, 500)])
def test_the_speed_that_is_advised_just_reaches_the_structural_skew(structural, trip, blind, ramp):
    assert skew_reached(fastest(structural, trip, blind, ramp), trip, blind, ramp) == pytest.approx(structural)


def test_a_trip_beyond_the_structural_skew_allows_no_speed():
    assert fastest(1.0, 1.5, 0.02, 1000) == 0
    assert fastest(2.0, 0, 0, 100) == pytest.approx(sqrt(400))


@pytest.mark.parametrize(
    ("bit_rate", "metres"),
    [
        # facts.md B14; CiA DS 102 V2.0
        (1_000_000, 25),
        (800_000, 50),
        (500_000, 100),
        (250_000, 250),
        (125_000, 500),
        (50_000, 1000),
        (20_000, 2500),
        (10_000, 5000),
    ],
)
def test_the_lengths_of_a_bus(bit_rate, metres):
    assert longest_line(bit_rate) == metres
    assert LENGTHS[bit_rate] == metres


def test_between_two_bit_rates_the_length_of_the_faster_counts():
    assert longest_line(600_000) == 50
    assert longest_line(100_000) == 500
    assert longest_line(5_000) == 5000


def test_a_bus_without_length_is_not_judged(bench):
    assert bench.of("bus-length", "bus: {bit_rate: 1 Mbit/s, length: 25 m}\n") == []
    assert bench.of("bus-length", "bus: {bit_rate: 1 Mbit/s, length: 26 m}\n") != []


def test_homing_is_watched_with_a_wider_trip(bench):
    """While a beam is squared its trip is wider by the square limit, so the same search is nearer to the structural."""
    piece = "pairs:\n  beam: {skew: {structural: 6 mm}}\nhoming:\n  beam: {square_limit: 3 mm}\n"
    (found,) = bench.of("pair-reaction", piece)
    assert bench.marked(found.primary) == "60 mm/s"
    assert bench.of("pair-reaction", piece.replace("3 mm", "1.2 mm")) == []


def test_a_slower_pace_lowers_the_skew(bench):
    piece = "steps:\n  - configure: {beam: {speed: 400 mm/s}}\n  - move: {beam: {to: 1000 mm}}\n"
    assert bench.of("pair-reaction", piece) != []
    assert bench.of("pair-reaction", piece, pace=F(1, 2)) == []


def test_a_short_move_does_not_reach_its_speed(bench):
    piece = "steps:\n  - configure: {beam: {speed: 400 mm/s}}\n  - move: {beam: {by: 20 mm}}\n"
    assert bench.of("pair-reaction", piece) == []


def test_what_is_missing_in_the_homing_order_is_said_once(bench):
    """What can collide goes out of the way first: practice.md P20 (common practice, no source)."""
    piece = (
        "# from the start\nhoming_order: [lift, [carriage, beam]]\nsteps:\n"
        "  - configure: {all: {speed: 80 mm/s, acceleration: 400 mm/s^2, jerk: 4000 mm/s^3, quick_stop: 1500 mm/s^2}}\n"
        "  - enable: all\n  - home: [beam, carriage]\n  - home: lift\n"
    )
    found = [f for f in bench.findings(piece) if f.rule == "home-order"]
    assert [(bench.marked(f.primary), [bench.marked(mark) for mark in f.others]) for f in found] == [("beam", ["beam"])]


def test_axes_of_one_stage_are_homed_in_any_order(bench):
    head = "# from the start\nhoming_order: [lift, [carriage, beam]]\nsteps:\n  - home: lift\n"
    for order in ("[beam, carriage]", "[carriage, beam]"):
        found = bench.findings(f"{head}  - home: {order}\n")
        assert [finding for finding in found if finding.rule == "home-order"] == []


def test_once_homed_an_axis_may_be_homed_again_in_any_order(bench):
    assert bench.of("home-order", "steps:\n  - home: beam\n  - home: lift\n") == []


def test_a_first_motion_after_homing_is_no_first_motion(bench):
    assert bench.of("first-motion", "steps:\n  - move: {carriage: {by: 900 mm}}\n") == []


def test_a_second_load_says_what_this_drive_does_with_it(bench):
    piece = "steps:\n  - preload: {lift: {by: -3 mm}}\n  - preload: {lift: {by: -4 mm}}\n  - trigger: lift\n"
    (found,) = bench.of("double-load", piece)
    assert "takes the place of the first" in found.note
    assert [bench.marked(mark) for mark in (found.primary, *found.others)] == ["-4 mm", "-3 mm"]


def test_a_drive_that_can_be_cleared_may_queue(bench):
    piece = "axes:\n  lift: {dialect: ./clearable.yaml}\nsteps:\n  - move: {lift: {to: 300 mm}}\n"
    text = (bench.folder / "queueing.yaml").read_text(encoding="utf-8").replace("name: queueing", "name: clearable")
    (bench.folder / "clearable.yaml").write_text(
        text.replace("cleared_by: []", "cleared_by: [clear_load]"), encoding="utf-8"
    )
    assert bench.of("dialect-loads", piece) == []


KEEPING = "axes:\n  lift: {dialect: ./keeping.yaml}\n"


def test_a_drive_that_keeps_its_load_is_loaded_where_it_can_be_emptied_or_loaded_over(bench):
    """practice.md P1 (common practice, no source): a kept load runs again at the next trigger."""
    piece = KEEPING + "steps:\n  - move: {lift: {to: 300 mm}}\n"
    assert bench.of("dialect-loads", piece) == []
    text = (bench.folder / "queueing.yaml").read_text(encoding="utf-8").replace("name: queueing", "name: keeping")
    text = text.replace("second_load: queues", "second_load: refused").replace("trigger: consumed", "trigger: kept")
    (bench.folder / "keeping.yaml").write_text(text, encoding="utf-8")
    (found,) = bench.of("dialect-loads", piece)
    assert "stays after the trigger, a second one is refused, and clear_load clears none" in found.headline


def test_no_start_beside_an_axis_that_keeps_its_load_and_was_not_waited_for(bench):
    """practice.md P1: the start would run its load again while it moves."""
    begun = "steps:\n  - preload: {lift: {to: 300 mm}}\n  - trigger: lift\n"
    waited = "  - wait_for_position: {axes: lift, within: 0.1 mm, for: 60 ms}\n"
    after = "  - move: {carriage: {to: 300 mm}}\n"
    (found,) = bench.of("dialect-loads", KEEPING + begun + after)
    assert "would run the load of lift again" in found.headline
    assert bench.of("dialect-loads", KEEPING + begun + waited + after) == []
    assert bench.of("dialect-loads", begun + after) == []  # short_frame's loads are consumed


def test_homing_on_loads_that_count_from_the_last_target_is_refused(bench):
    """practice.md P1: a search ends with a stop, and the target that it had is then never reached."""
    text = (
        (bench.folder / "keeping.yaml").read_text(encoding="utf-8").replace("at_trigger: kept", "at_trigger: consumed")
    )
    for base, count in (("target", 1), ("demand", 0), ("actual", 0)):
        (bench.folder / "keeping.yaml").write_text(
            text.replace("relative_to: never", f"relative_to: {base}"), encoding="utf-8"
        )
        found = bench.of("dialect-loads", KEEPING + "steps:\n  - dwell: 1 ms\n")
        assert len(found) == count, base


def test_an_axis_that_is_expected_somewhere_must_report_where_it_is(bench):
    """practice.md P11: watching the demand proves nothing, also of an axis that stands."""
    expect = "  - expect: {axis: carriage, position: 2 mm, within: 1 mm}\n"
    piece = "# from the start\naxes:\n  carriage: {dialect: ./demanded.yaml}\nsteps:\n"
    assert "position-demanded" not in [finding.rule for finding in bench.findings(piece + "  - dwell: 1 ms\n")]
    assert "position-demanded" in [finding.rule for finding in bench.findings(piece + expect)]


def test_a_recipe_of_several_mistakes_hears_of_all_in_order(bench):
    piece = (
        "steps:\n  - move: {lift: {to: 700 mm}}\n  - trigger: carriage\n  - preload: {carriage: {to: 1 mm}}\n"
        "  - expect: {axis: beam_left, position: 5 mm, within: 1 mm}\n"
    )
    found = bench.findings(piece)
    assert [finding.rule for finding in found] == ["travel", "load-set", "load-unused", "expectation"]
    assert [finding.primary.span.line for finding in found] == sorted(f.primary.span.line for f in found)


def test_a_move_of_what_is_loaded_is_a_second_load_and_no_stale_one(bench):
    piece = "steps:\n  - preload: {lift: {by: -3 mm}}\n  - move: {lift: {by: -4 mm}}\n  - trigger: lift\n"
    (found,) = bench.of("double-load", piece)
    assert "loaded again in step 5" in found.headline


def test_missing_power_is_said_once_until_it_is_lost_again(bench):
    piece = (
        "steps:\n  - disable: lift\n  - move: {lift: {by: -3 mm}}\n  - move: {lift: {by: -4 mm}}\n  - enable: lift\n"
        "  - move: {lift: {by: -5 mm}}\n  - disable: lift\n  - move: {lift: {by: -6 mm}}\n"
    )
    assert [bench.marked(found.primary) for found in bench.of("not-enabled", piece)] == ["-3 mm", "-6 mm"]


def test_a_position_before_home_is_no_first_motion(bench):
    piece = "# from the start\nsteps:\n  - enable: lift\n  - move: {lift: {to: 300 mm}}\n"
    assert "first-motion" not in [finding.rule for finding in bench.findings(piece)]


def test_closing_may_take_the_power_of_what_a_trigger_has_started(bench):
    """It waits until the axes stand (tests/run/test_flow.py)."""
    assert bench.of("on-its-way", "steps:\n  - preload: {lift: {by: -3 mm}}\n  - trigger: lift\n") == []
