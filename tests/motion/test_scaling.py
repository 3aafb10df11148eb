"""Exact scales: facts.md E11, and the demo machine of practice.md."""

from fractions import Fraction
from math import cos, floor, pi, radians

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from choreo.motion.scaling import (
    DriveTrain,
    move_counts,
    rack_travel,
    rate_in_counts,
    rate_in_units,
    round_half_up,
    to_counts,
    to_units,
)
from choreo.units import PI, UNITS, convert, dimension_of, units_of

F = Fraction

trains = st.builds(
    DriveTrain,
    st.integers(1, 2**24).map(F),
    st.integers(1, 500).map(F),
    st.integers(1, 500).map(F),
    st.fractions(min_value=F(1, 1000), max_value=1000, max_denominator=1000),
    st.booleans(),
)
positions = st.fractions(min_value=-(10**5), max_value=10**5, max_denominator=10**4)


@pytest.mark.parametrize(
    ("train", "counts_per_unit"),
    [  # facts.md E11
        (DriveTrain(F(4000), F(1), F(1), F(5)), F(800)),
        (DriveTrain(F(131072), F(3), F(1), F(10)), F(196608, 5)),
        (DriveTrain(F(10000), F(1), F(1), F(5 * 24)), F(250, 3)),
        (DriveTrain(F(4096), F(90), F(1), F(360)), F(1024)),
        # practice.md, "The demo machine": beam, carriage, lift
        (DriveTrain(F(65536), F(10), F(1), F(400, 3)), F("4915.2")),
        (DriveTrain(F(65536), F(8), F(1), F(192)), F(8192, 3)),
        (DriveTrain(F(65536), F(1), F(1), F(10)), F("6553.6")),
        (DriveTrain(F(65536), F(10), F(1), F(400, 3), inverted=True), F("-4915.2")),
    ],
)
def test_counts_per_unit(train, counts_per_unit):
    assert train.counts_per_unit == counts_per_unit


def test_a_position_on_the_screw():
    """facts.md E11: 123.456 mm at 196608/5 counts/mm, its rounding error, and the range of INTEGER32."""
    scale = F(196608, 5)
    counts = to_counts(F("123.456"), scale)
    assert counts == 4854487
    assert float(to_units(counts, scale) - F("123.456")) == pytest.approx(-1.1434e-5, rel=1e-4)
    assert float(to_units(2**31 - 1, scale)) == pytest.approx(54613.3333, abs=5e-5)


def test_racks():
    """facts.md E11: module 2, 20 teeth, straight and helical; 65536 counts and 5:1 behind the straight one."""
    straight = rack_travel(F(2), 20)
    assert float(straight) == pytest.approx(125.663706144, abs=5e-10)
    assert float(DriveTrain(F(65536), F(5), F(1), straight).counts_per_unit) == pytest.approx(2607.59458762, abs=5e-9)
    assert float(rack_travel(F(2), 20, F(19) + F(31, 60) + F(42, 3600))) == pytest.approx(133.333544, abs=5e-7)
    assert float(rack_travel(F(2), 20, F("19.528078"))) == pytest.approx(133.3333, abs=5e-5)


@given(st.fractions(min_value=-89, max_value=89, max_denominator=3600))
def test_the_cosine_of_a_helix_is_the_library_s(angle):
    assert float(PI / rack_travel(F(1), 1, angle)) == pytest.approx(cos(radians(angle)), rel=1e-13)


def test_the_cosine_of_sixty_degrees_is_a_half():
    """Exactly known: a rack at 60 deg travels 2 pi per module and tooth. The error stays below 38 digits."""
    assert abs(rack_travel(F(1), 1, F(60)) / (2 * PI) - 1) < F(1, 10**38)
    assert rack_travel(F(3), 17) == PI * 51
    assert float(rack_travel(F(1), 1)) == pi


@pytest.mark.parametrize(
    ("arguments", "says"),
    [((F(0), 20), "module"), ((F(2), 0), "tooth"), ((F(2), 20, F(90)), "helix"), ((F(2), 20, F(-91)), "helix")],
)
def test_racks_that_cannot_be(arguments, says):
    with pytest.raises(ValueError, match=says):
        rack_travel(*arguments)


@pytest.mark.parametrize("place", range(4))
@pytest.mark.parametrize("bad", [F(0), F(-1)])
def test_drive_trains_that_cannot_be(place, bad):
    numbers = [F(4000), F(1), F(1), F(5)]
    numbers[place] = bad
    with pytest.raises(ValueError, match="above zero"):
        DriveTrain(*numbers)


def test_motor_speeds():
    """practice.md P27 and the demo machine's table; facts.md E11 for the screw with 3:1. Turns per second times 60."""
    assert DriveTrain(F(65536), F(5), F(1), F(20)).motor_speed(F(400)) * 60 == 6000
    assert DriveTrain(F(65536), F(10), F(1), F(400, 3)).motor_speed(F(-400)) * 60 == 1800
    assert DriveTrain(F(65536), F(8), F(1), F(192)).motor_speed(F(500)) * 60 == 1250
    assert DriveTrain(F(65536), F(1), F(1), F(10), inverted=True).motor_speed(F(120)) * 60 == 720
    assert DriveTrain(F(131072), F(3), F(1), F(10)).motor_speed(F(250)) * 60 == 4500


def test_counts_of_a_long_axis_need_more_than_24_bits():
    """practice.md P27: 2400 mm at 16,384 counts/mm is 39.3 million counts."""
    assert to_counts(F(2400), F(16384)) == 39_321_600 > 2**24


@given(st.fractions(max_denominator=10**6))
def test_rounding_is_to_the_nearest_and_half_up(exact):
    rounded = round_half_up(exact)
    assert -F(1, 2) < rounded - exact <= F(1, 2)


@pytest.mark.parametrize(
    ("exact", "rounded"), [(F(1, 2), 1), (F(-1, 2), 0), (F(3, 2), 2), (F(-3, 2), -1), (F(7, 5), 1)]
)
def test_halves_go_up(exact, rounded):
    assert round_half_up(exact) == rounded


@given(positions, trains)
def test_counts_and_back_is_within_half_a_count(position, train):
    scale = train.counts_per_unit
    assert abs(to_units(to_counts(position, scale), scale) - position) <= abs(1 / scale) / 2


@given(st.integers(-(10**9), 10**9), trains)
def test_whole_counts_are_exact(counts, train):
    assert to_counts(to_units(counts, train.counts_per_unit), train.counts_per_unit) == counts


@given(st.fractions(min_value=0, max_value=10**6, max_denominator=1000), trains)
def test_rates_there_and_back(rate, train):
    counts = rate_in_counts(rate, train.counts_per_unit)
    assert counts >= 0
    assert rate_in_units(counts, train.counts_per_unit) == rate


def test_rates_by_hand():
    assert rate_in_counts(F(250), F("-4915.2")) == 1_228_800
    assert rate_in_units(F(1024), F("-4915.2")) == F(5, 24)


def test_the_drift_trap():
    """facts.md E11: 0.1 mm at 250/3 counts/mm rounds to 8 counts; a thousand of those are 8000, not 8333."""
    scale, step = F(250, 3), F(1, 10)
    assert 1000 * to_counts(step, scale) == 8000
    assert sum(move_counts(n * step, (n + 1) * step, scale) for n in range(1000)) == 8333


@settings(max_examples=30)  # thirty thousand moves
@given(
    st.randoms(use_true_random=False),
    trains,
    st.sampled_from([u for u in UNITS if dimension_of(u) in ("length", "angle", "counts")]),
)
def test_a_thousand_moves_by_any_distance_end_on_the_exactly_rounded_sum(random, train, unit):
    """
    Whatever the scale and the unit of the recipe: each move's counts are round(after) - round(before). The expected
    end is the rational sum rounded once, in whole numbers only.
    """
    scale, base = train.counts_per_unit, units_of(dimension_of(unit))[0]
    position, counts, tenths = F(0), 0, 0
    for _ in range(1000):
        by = random.randint(-100_000, 100_000)
        after = position + convert(F(by, 10), unit, base)
        counts += move_counts(position, after, scale)
        position, tenths = after, tenths + by
    exact = F(tenths, 10) * convert(F(1), unit, base) * scale
    assert counts == floor((2 * exact.numerator + exact.denominator) / F(2 * exact.denominator))
