"""Stops, trips and limit switches: how far an axis still goes, and what its drive says."""

from dataclasses import replace
from fractions import Fraction

import pytest

from choreo_sim.servo import Fault

from .bench import (
    ENABLED,
    HOMED,
    HORIZONTAL,
    MOVING,
    MS,
    PER_MM,
    RUN_SETTINGS,
    SECOND,
    VERTICAL,
    WINDOW,
    Bench,
    cruising,
)

FOLLOWING, OVERCURRENT, NEGATIVE, POSITIVE, FEEDBACK = range(1, 6)


def way_of_stop(bench: Bench, stop: str) -> float:
    """mm that the axis goes after the stop has taken effect, which is at the next cycle."""
    getattr(bench, stop)()
    before = bench.mm()
    begun: list[int] = []
    bench.drives[11].servo.begun.append(lambda _: begun.append(bench.now))
    sent = bench.now
    bench.wait(2 * SECOND)
    assert 0 <= begun[0] - sent <= MS
    return abs(bench.mm() - before) - 250 * (begun[0] - sent) / 1e9


@pytest.mark.parametrize("inverted", [False, True])
def test_a_stop_takes_39_mm_and_what_the_jerk_adds(inverted):
    """practice.md P13: 250 mm/s at 800 mm/s² takes 39 mm; the jerk adds v A / (2 J) = 12.5 mm (facts.md E4)."""
    bench = cruising(replace(HORIZONTAL, inverted=inverted))
    assert way_of_stop(bench, "stop") == pytest.approx(39.0625 + 12.5, abs=1e-3)


def test_a_quick_stop_has_no_jerk_limit():
    """250² / (2 * 3000) = 10.4 mm: practice.md, the ramp of the stall example."""
    assert way_of_stop(cruising(), "quick_stop") == pytest.approx(250**2 / 6000, abs=1e-3)


def test_a_stop_of_one_node_leaves_the_others_alone():
    bench = Bench(HORIZONTAL, replace(HORIZONTAL, name="other", node=12))
    for node in (11, 12):
        bench.enable(node)
        bench.move(bench.position(node) + round(600 * PER_MM), node=node)
    bench.wait(SECOND)
    bench.stop(12)
    bench.wait(4 * SECOND)
    assert bench.mm(11) == pytest.approx(1100, abs=1e-3)
    assert bench.mm(12) < 900


def test_a_quick_stop_overrides_a_stop_and_a_stop_does_not_soften_a_quick_stop():
    soft, hard, both = cruising(), cruising(), cruising()
    begin = soft.mm()
    soft.stop()
    hard.quick_stop()
    both.quick_stop()
    both.wait(20 * MS)
    both.stop()
    for bench in (soft, hard, both):
        bench.wait(2 * SECOND)
    assert hard.mm() == both.mm() < soft.mm()
    mixed = cruising()
    mixed.stop()
    mixed.wait(20 * MS)
    mixed.quick_stop()
    mixed.wait(2 * SECOND)
    assert begin < hard.mm() < mixed.mm() < soft.mm()


def test_a_stop_at_rest_does_nothing_and_a_move_afterwards_is_taken():
    bench = Bench()
    bench.enable()
    begin = bench.position()
    bench.stop()
    bench.quick_stop()
    assert bench.move(begin + 100).startswith("C1")
    bench.wait(SECOND)
    assert bench.position() == begin + 100


def test_the_window_trips_when_a_stalled_axis_is_left_behind():
    """Tracking window 2.998 mm: at 250 mm/s it is passed 11.99 ms after the axis has stuck."""
    truth = replace(HORIZONTAL, settings={**RUN_SETTINGS, "following_error": WINDOW})
    bench = cruising(truth)
    bench.heard.clear()
    stuck, where = bench.now, bench.mm()
    bench.bodies[11].stick()
    bench.wait(50 * MS)
    ((told, frame),) = bench.heard
    assert (frame.id, frame.data.hex()) == (0x06B, "f101")
    assert 11.99e6 < told - stuck < 11.99e6 + 0.5e6  # the frame itself takes its time
    bench.wait(SECOND)
    assert bench.mm() == where
    assert bench.status() == (ENABLED, FOLLOWING)  # it holds under power


def test_a_window_that_is_narrower_than_the_error_that_stands_trips_at_once():
    bench = Bench()
    bench.enable()
    bench.bodies[11].stick()
    bench.move(bench.position() + round(10 * PER_MM))
    bench.wait(SECOND)
    assert bench.status()[1] == 0  # 213 mm are allowed
    bench.write("following_error", WINDOW)
    assert bench.status()[1] == FOLLOWING


def test_the_lag_of_a_fast_axis_alone_trips_a_window_that_is_too_narrow():
    """8 ms at 250 mm/s are 2 mm: the window of 2.998 mm holds, one of 1.9 mm does not (practice.md P8)."""
    for window, fault in ((WINDOW, 0), (round(1.9 * PER_MM / 16), FOLLOWING)):
        bench = cruising(replace(HORIZONTAL, lag_ns=8 * MS, settings={**RUN_SETTINGS, "following_error": window}))
        assert bench.status()[1] == fault


def test_a_fault_refuses_motion_until_it_is_reset_and_then_goes_on_from_where_the_axis_is():
    truth = replace(HORIZONTAL, settings={**RUN_SETTINGS, "following_error": WINDOW})
    bench = cruising(truth)
    bench.drives[11].servo.trip(Fault.FOLLOWING_ERROR)
    bench.wait(SECOND)
    here = bench.position()
    assert bench.move(here) == "EE 41 04"
    assert bench.preload(here) == "EE 42 04"
    assert bench.ask("31 01") == "EE 31 04"
    assert bench.ask("33") == "B3"
    assert bench.move(here + 1000).startswith("C1")
    bench.wait(SECOND)
    assert bench.position() == here + 1000
    assert bench.status()[1] == 0


@pytest.mark.parametrize(
    ("inverted", "way", "code"), [(False, 1, POSITIVE), (False, -1, NEGATIVE), (True, 1, NEGATIVE)]
)
def test_a_limit_switch_stops_the_axis_at_its_quick_stop(inverted, way, code):
    """The switch at 2420 or -20 mm, in the drive's own counting direction; then 10.4 mm at 3000 mm/s²."""
    limit = 2420 if way > 0 else -20
    truth = replace(HORIZONTAL, inverted=inverted, start=Fraction(limit - way * 400))
    bench = Bench(truth)
    bench.enable()
    bench.move(bench.position() + round(600 * PER_MM) * way * (-1 if inverted else 1))
    bench.heard.clear()
    bench.wait(4 * SECOND)
    assert bench.events() == [f"F1 {code:02X}"]
    beyond = (bench.mm() - limit) * way
    assert 250**2 / 6000 <= beyond <= 250**2 / 6000 + 0.25  # a cycle of 1 ms may pass first
    inputs = bytes.fromhex(bench.ask("14"))[1]
    assert inputs & (2 if code == POSITIVE else 1)
    assert bench.damage == []


def test_at_a_limit_switch_only_the_way_back_is_open():
    bench = Bench(replace(HORIZONTAL, start=Fraction(2430)))
    bench.enable()
    here = bench.position()
    bench.move(here + 1000)
    bench.wait(100 * MS)
    assert bench.position() == here
    assert bench.status()[1] == POSITIVE
    assert bench.ask("33") == "B3"
    bench.move(here - round(100 * PER_MM))
    bench.wait(2 * SECOND)
    assert bench.mm() == pytest.approx(2330, abs=1e-3)
    assert bench.status()[1] == 0


@pytest.mark.parametrize("fault", [Fault.OVERCURRENT, Fault.FEEDBACK_LOST])
def test_a_drive_that_cannot_hold_takes_the_power_and_applies_the_brake(fault):
    """The lift falls for the 60 ms that its brake takes, 17.7 mm (practice.md P15); then the brake slows it down."""
    bench = Bench(VERTICAL)
    bench.enable(14)
    bench.ask("32 00", 14)
    bench.wait(100 * MS)
    begin = bench.mm(14)
    bench.drives[14].servo.homed = True
    bench.drives[14].servo.trip(fault)
    bench.wait(SECOND)
    fallen = 9806.65 * 0.060**2 / 2
    speed = 9806.65 * 0.060
    assert begin - bench.mm(14) == pytest.approx(fallen + speed**2 / (2 * 5000), abs=1e-3)
    flags, code = bench.status(14)
    assert (flags & ENABLED, code) == (0, OVERCURRENT if fault is Fault.OVERCURRENT else FEEDBACK)
    assert bool(flags & HOMED) == (fault is Fault.OVERCURRENT)  # home lapses with the feedback, practice.md P17


def test_a_second_fault_changes_nothing():
    bench = cruising()
    servo = bench.drives[11].servo
    bench.heard.clear()
    servo.trip(Fault.FOLLOWING_ERROR)
    servo.trip(Fault.OVERCURRENT)
    bench.wait(SECOND)
    assert bench.events() == ["F1 01"]
    assert bench.status() == (ENABLED | 32, FOLLOWING)


def test_power_off_while_it_moves_lets_it_coast_and_power_on_catches_it():
    """Coasting at 400 mm/s²: v² / 2a; caught after 100 ms at 210 mm/s with the quick stop."""
    free = cruising()
    begin = free.mm()
    free.ask("31 00")
    free.wait(2 * SECOND)
    assert free.mm() - begin == pytest.approx(250**2 / 800, abs=0.3)
    caught = cruising()
    caught.send(0x14B, bytes.fromhex("31 00"))
    begin = caught.mm()
    caught.wait(100 * MS)
    speed = 250 - 40
    assert caught.mm() - begin == pytest.approx((250 + speed) / 2 * 0.1, abs=1e-2)
    begin = caught.mm()
    caught.drives[11].servo.enable()
    caught.wait(SECOND)
    assert caught.mm() - begin == pytest.approx(speed**2 / 6000, abs=1e-2)
    assert caught.position() == round(caught.bodies[11].at(caught.now))


def test_the_brake_of_a_moving_axis_makes_its_drive_trip():
    truth = replace(VERTICAL, settings={**RUN_SETTINGS, "following_error": WINDOW})
    bench = Bench(truth)
    bench.enable(14)
    bench.ask("32 00", 14)
    bench.wait(50 * MS)
    bench.move(bench.position(14) + round(200 * 6553.6), 640, 14)
    bench.wait(500 * MS)
    assert bench.status(14)[0] & MOVING
    bench.ask("32 01", 14)
    bench.wait(SECOND)
    assert bench.status(14)[1] == FOLLOWING
    assert bench.bodies[14].speed(bench.now) == 0


def test_speed_after_a_stop_peaks_as_the_jerk_has_it():
    """Stopped while speeding up at 800 mm/s²: the speed still rises by A² / (2 J) = 40 mm/s, and only so much."""
    bench = Bench()
    bench.enable()
    bench.move(bench.position() + round(600 * PER_MM))
    bench.wait(200 * MS)
    at_stop = bench.bodies[11].speed(bench.now) / PER_MM
    bench.stop()
    fastest = 0.0
    for _ in range(2000):
        bench.wait(MS // 4)
        fastest = max(fastest, bench.bodies[11].speed(bench.now) / PER_MM)
    assert at_stop + 39 < fastest < at_stop + 40 + 800 * 0.0015
