"""The body behind a drive: gravity, brakes, buffers, switches, and a beam that racks."""

from dataclasses import replace
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from choreo_sim.beam import Beam
from choreo_sim.truth import BeamTruth, BrakeTruth, HomeSwitch

from .bench import HORIZONTAL, MS, PER_MM, RUN_SETTINGS, SECOND, VERTICAL, Bench

GRAVITY = 9806.65  # mm/s², standard acceleration of free fall (ISO 80000-3; 3rd CGPM 1901)


def hanging(*, inverted: bool = False) -> Bench:
    """A lift under power with its brake open."""
    bench = Bench(replace(VERTICAL, inverted=inverted))
    bench.enable(14)
    bench.ask("32 00", 14)
    bench.wait(60 * MS)
    return bench


def send(bench: Bench, data: str) -> None:
    bench.send(0x14E, bytes.fromhex(data))


@pytest.mark.parametrize("inverted", [False, True])
def test_a_lift_without_power_and_brake_falls_freely(inverted):
    """practice.md P15: 60 ms of free fall is 18 mm."""
    bench = hanging(inverted=inverted)
    send(bench, "31 00")
    begin, t = bench.mm(14), bench.now
    for ms in (10, 60, 100):
        bench.kernel.run_until(t + ms * MS)
        assert begin - bench.mm(14) == pytest.approx(GRAVITY * (ms / 1000) ** 2 / 2, abs=1e-4)
    assert begin - bench.bodies[14].position(t + 60 * MS) == pytest.approx(18, abs=0.5)


def test_brake_first_then_power_off_holds_the_lift():
    """practice.md P15 (common practice, no source)."""
    bench = hanging()
    begin = bench.mm(14)
    send(bench, "32 01")
    bench.wait(61 * MS)
    send(bench, "31 00")
    bench.wait(SECOND)
    assert bench.mm(14) == begin


def test_power_off_and_brake_at_once_lets_the_lift_fall_while_the_brake_engages():
    bench = hanging()
    begin = bench.mm(14)
    bench.bodies[14].brake_output(True)
    bench.drives[14].servo.disable()
    bench.wait(SECOND)
    speed = GRAVITY * 0.060
    assert begin - bench.mm(14) == pytest.approx(GRAVITY * 0.060**2 / 2 + speed**2 / (2 * 5000), abs=1e-4)
    assert bench.damage == []


def test_the_brake_is_open_only_after_its_time():
    bench = Bench(VERTICAL)
    bench.enable(14)
    send(bench, "32 00")
    t = bench.now
    bench.kernel.run_until(t + 40 * MS - 1)
    assert bench.bodies[14].braked
    bench.kernel.run_until(t + 40 * MS)
    assert not bench.bodies[14].braked


def test_an_order_that_comes_while_the_brake_still_moves_takes_the_place_of_the_first():
    bench = hanging()
    send(bench, "32 01")
    bench.wait(30 * MS)
    send(bench, "32 00")
    bench.wait(SECOND)
    assert not bench.bodies[14].braked


def test_a_brake_that_is_told_again_while_it_closes_does_not_begin_anew():
    """practice.md P15: 60 ms to engage count from when its coil lost its current."""
    bench = hanging()
    body = bench.bodies[14]
    body.brake_output(True)
    bench.wait(40 * MS)
    body.brake_output(True)
    bench.wait(19 * MS)
    assert not body.braked
    bench.wait(2 * MS)
    assert body.braked


@pytest.mark.parametrize("inverted", [False, True])
def test_the_load_sinks_a_little_when_the_brake_opens_and_stays_there(inverted):
    """practice.md, "The demo machine": sag 0.1 mm. The drive catches the load where it has sunk to."""
    truth = replace(VERTICAL, inverted=inverted, lag_ns=4 * MS, brake=BrakeTruth(40 * MS, 60 * MS, Fraction(1, 10)))
    bench = Bench(truth)
    bench.enable(14)
    begin, counts = bench.mm(14), bench.position(14)
    bench.ask("32 00", 14)
    bench.wait(SECOND)
    assert begin - bench.mm(14) == pytest.approx(0.1, abs=1e-6)
    assert bench.position(14) - counts == pytest.approx(-655 * (-1 if inverted else 1), abs=1)
    assert bench.status(14) == (1 | 32, 0)


def test_a_falling_lift_ends_on_its_buffer_and_that_is_damage():
    bench = hanging()
    send(bench, "31 00")
    bench.wait(SECOND)
    assert bench.mm(14) == pytest.approx(-20)
    ((damage),) = bench.damage
    # v² = 2 g h over 370 mm
    assert damage.what == f"lift ran into its buffer at -20.0 mm with {(2 * GRAVITY * 370) ** 0.5:.1f} mm/s"


def test_power_cannot_push_an_axis_through_its_buffer_and_it_comes_back():
    bench = Bench(replace(HORIZONTAL, limit_switches=(Fraction(-1000), Fraction(5000)), start=Fraction(2300)))
    bench.enable()
    begin = bench.position()
    bench.move(begin + round(300 * PER_MM))  # the widest window, 213 mm, does not trip
    bench.wait(4 * SECOND)
    assert bench.mm() == pytest.approx(2460)
    assert len(bench.damage) == 1
    bench.move(begin)
    for _ in range(400):
        bench.wait(10 * MS)
        assert bench.mm() <= 2460 + 1e-6
    assert bench.mm() == pytest.approx(2300, abs=1e-3)
    assert len(bench.damage) == 1


@pytest.mark.parametrize("inverted", [False, True])
def test_counts_and_millimetres_belong_together(inverted):
    bench = Bench(replace(HORIZONTAL, inverted=inverted, encoder_at_power_up=777))
    body = bench.bodies[11]
    sign = -1 if inverted else 1
    assert body.counts(500.0) == 777
    assert body.counts(510.0) == pytest.approx(777 + sign * 49152)
    assert body.units(body.counts(-8.0)) == pytest.approx(-8.0)


@given(st.integers(-1_000_000, 1_000_000), st.booleans(), st.floats(-100, 3000))
def test_counts_and_millimetres_are_each_others_inverse(encoder, inverted, position):
    body = Bench(replace(HORIZONTAL, inverted=inverted, encoder_at_power_up=encoder)).bodies[11]
    assert body.units(body.counts(position)) == pytest.approx(position, abs=1e-6)


@pytest.mark.parametrize("inverted", [False, True])
@pytest.mark.parametrize("lag_ms", [0, 8])
def test_the_edge_is_captured_where_it_lies_however_late_the_axis_is(inverted, lag_ms):
    truth = replace(HORIZONTAL, inverted=inverted, lag_ns=lag_ms * MS, start=Fraction(2))
    bench = Bench(truth)
    bench.enable()
    bench.ask("25")
    sign = -1 if inverted else 1
    bench.move(bench.position() - sign * round(14 * PER_MM))
    captured: list[tuple[int, float]] = []
    body = bench.bodies[11]
    on_edge = body.on_edge
    body.on_edge = lambda counts: (captured.append((bench.now, counts)), on_edge(counts))
    bench.wait(2 * SECOND)
    ((t, counts),) = captured
    assert body.units(counts) == pytest.approx(-8.0, abs=1e-9)
    assert bench.drives[11].servo.latch == round(body.counts(-8.0))
    assert t > 0


def test_a_scattering_edge_stays_within_its_scatter():
    home = HomeSwitch(Fraction(-8), -1, Fraction(1, 50))
    found = []
    for seed in range(12):
        bench = Bench(replace(HORIZONTAL, home=(home,), start=Fraction(-5)), seed=seed)
        bench.enable()
        bench.ask("25")
        bench.move(bench.position() - round(6 * PER_MM))
        bench.wait(SECOND)
        found.append(bench.bodies[11].units(bench.drives[11].servo.latch))
    assert all(-8.021 < edge < -7.979 for edge in found)
    assert max(found) - min(found) > 0.01


def test_the_home_switch_is_active_beyond_its_edge_only():
    for towards, place, active in ((-1, -8.5, True), (-1, -7.5, False), (1, -8.5, False), (1, -7.5, True)):
        truth = replace(HORIZONTAL, home=(HomeSwitch(Fraction(-8), towards),), start=Fraction(place))
        assert (Bench(truth).ask("14") == "94 04") is active


def test_a_stuck_axis_does_not_move_whatever_happens():
    bench = hanging()
    bench.bodies[14].stick()
    begin = bench.mm(14)
    bench.move(bench.position(14) + 100_000, node=14)
    bench.wait(SECOND)
    send(bench, "31 00")
    bench.wait(SECOND)
    assert bench.mm(14) == begin


def two_sides(*, right_start: float = 500.0, **changes: object) -> tuple[Bench, Beam]:
    left = replace(HORIZONTAL, name="left", **changes)
    right = replace(left, name="right", node=12, inverted=True, start=Fraction(right_start))
    bench = Bench(left, right)
    truth = BeamTruth("beam", ("left", "right"), Fraction(20), Fraction(120))
    beam = Beam(bench.kernel, truth, (bench.bodies[11], bench.bodies[12]), bench.damage)
    for node in (11, 12):
        bench.enable(node)
    return bench, beam


def both(bench: Bench, mm: float, speed: int = 1200) -> None:
    for node, sign in ((11, 1), (12, -1)):
        bench.preload(bench.position(node) + sign * round(mm * PER_MM), speed, node)
    bench.start()


def test_the_sides_of_a_beam_keep_their_skew_on_the_way():
    bench, beam = two_sides(right_start=500.4)
    assert beam.skew(bench.now) == pytest.approx(-0.4)
    assert beam.force(bench.now) == pytest.approx(120 * 0.4)
    both(bench, 600)
    for _ in range(40):
        bench.wait(100 * MS)
        # cycles out of step by up to 1 ms: 0.25 mm at 250 mm/s (practice.md P32)
        assert abs(beam.skew(bench.now) + 0.4) < 0.25
    assert beam.skew(bench.now) == pytest.approx(-0.4, abs=1e-3)
    assert bench.damage == []


def test_a_side_that_stalls_at_250_is_stopped_before_the_beam_is_damaged():
    """practice.md, "The demo machine": 6 ms to the trip and 25 ms are 7.75 mm, and 10.4 mm of ramp: 18.2 mm."""
    bench, beam = two_sides()
    both(bench, 1500)
    bench.wait(SECOND)
    before = beam.skew(bench.now)
    bench.bodies[12].stick()
    bench.wait(31 * MS)
    body = bench.bodies[11]
    bench.drives[11].servo._brake("quick_stop")  # at once, not at the next cycle: the sum above knows no cycle
    bench.wait(SECOND)
    assert body.speed(bench.now) == 0
    assert beam.skew(bench.now) - before == pytest.approx(7.75 + 250**2 / 6000, abs=1e-3)
    assert abs(beam.skew(bench.now)) == pytest.approx(18.2, abs=0.3)
    assert bench.damage == []


def test_at_400_the_same_stall_damages_the_beam_and_that_is_recorded_when_it_happens():
    """practice.md: 38 mm in all. 20 mm are reached 50 ms after the stall, less what the sides differed before."""
    fast = {**RUN_SETTINGS, "speed": 1920}
    bench, beam = two_sides(settings=fast)
    both(bench, 1500, 1920)
    bench.wait(SECOND)
    before, stuck = beam.skew(bench.now), bench.now
    bench.bodies[12].stick()
    bench.wait(200 * MS)
    ((damage),) = bench.damage
    assert damage.what.startswith("beam is racked by 20.00 mm")
    assert damage.t_ns - stuck == pytest.approx((20 - before) / 400 * 1e9, abs=2e4)
    assert beam.racked


@given(st.integers(0, 60), st.floats(1, 19.9), st.sampled_from([0, 8]))
def test_structural_skew_is_found_exactly_when_there_is_some(late, structural, lag):
    """One side starts later than the other; sampling every millisecond must agree with what is found ahead."""
    bench, beam = two_sides(lag_ns=lag * MS)
    beam.truth = replace(beam.truth, structural=Fraction(structural))
    left, right = bench.drives[11].servo, bench.drives[12].servo
    for node, sign in ((11, 1), (12, -1)):
        bench.preload(bench.position(node) + sign * round(100 * PER_MM), node=node)
    left.trigger()
    right.trigger(late * MS)
    worst = 0.0
    for _ in range(1500):
        bench.wait(MS)
        worst = max(worst, abs(beam.skew(bench.now)))
    if abs(worst - structural) > 0.3:
        assert beam.racked == (worst > structural)
