"""Raw values: laws of rounding (practice.md P24, common practice, no source)."""

from dataclasses import replace
from fractions import Fraction as F

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from choreo.plan.rounding import Grid, equal_raws, lowest_raw, raw_at_most
from choreo.wire.dialect import RawScale

fractions = st.fractions(min_value=F(1, 1000), max_value=100_000, max_denominator=10_000)
scales = st.builds(
    RawScale,
    step=st.fractions(min_value=F(1, 100), max_value=5000, max_denominator=100),
    minimum=st.integers(0, 3),
    maximum=st.sampled_from([255, 65535]),
    special=st.sampled_from([None, {0: "no limit"}, {1: "no limit"}, {255: "off"}]),
)
counts_per_unit = st.fractions(min_value=F(1, 7), max_value=20_000, max_denominator=60).flatmap(
    lambda size: st.sampled_from([size, -size])
)


@given(scales.filter(lambda scale: scale.maximum == 255), fractions)
def test_the_largest_raw_value_below_a_limit_never_means_more(scale, physical):
    raw = raw_at_most(scale, physical)
    special = scale.special or {}
    lawful = [r for r in range(max(1, scale.minimum), scale.maximum + 1) if r not in special]
    at_most = [r for r in lawful if r * scale.step <= physical]
    assert raw == (at_most[-1] if at_most else None)


@given(scales)
def test_the_lowest_raw_value_means_something_and_nothing_else(scale):
    raw = lowest_raw(scale)
    assert raw >= max(1, scale.minimum)
    assert raw not in (scale.special or {})
    assert all(lower in (scale.special or {}) for lower in range(max(1, scale.minimum), raw))


@given(scales, counts_per_unit, fractions)
def test_a_grid_rounds_down_by_less_than_a_step(scale, per_unit, value):
    grid = Grid.of(scale, per_unit)
    try:
        raw = grid.raw(value)
    except ValueError:
        assume(False)
    assert grid.real(raw) <= value < grid.real(raw) + grid.step


@given(scales, st.sampled_from(["down", "up", "nearest"]), counts_per_unit, fractions, fractions)
def test_nothing_is_rounded_beyond_a_limit(scale, rounding, per_unit, value, limit):
    grid = Grid.of(replace(scale, rounding=rounding), per_unit)
    try:
        raw, within = grid.raw(value), grid.within(value, limit)
    except ValueError:
        assume(False)
    assert within not in (scale.special or {})
    assert within == raw if grid.real(raw) <= limit else grid.real(within) <= limit < grid.real(raw)
    assert equal_raws([grid, grid._replace(counts_per_unit=-per_unit)], value, limit) == [within, within]


RATIOS = [F(1), F(-1), F(2), F(3, 2), F(-4, 3), F(5, 4)]


@given(
    st.fractions(min_value=F(1, 100), max_value=5000, max_denominator=100),
    counts_per_unit,
    st.sampled_from(RATIOS),
    st.fractions(min_value=20, max_value=50_000, max_denominator=7),
)
def test_two_sides_get_raw_values_that_mean_the_same_and_no_more_than_asked(step, per_unit, ratio, steps):
    scale = RawScale(step, 1, 10**9)
    grids = [Grid.of(scale, per_unit), Grid.of(scale, per_unit * ratio)]
    value = steps * grids[0].step
    first, second = (grid.real(raw) for grid, raw in zip(grids, equal_raws(grids, value), strict=True))
    assert first == second <= value
    # Ratios of at most 5:4 have a step in common within 5 of the one and 4 of the other.
    assert value - first < 5 * max(grid.step for grid in grids)


@given(st.integers(1, 12), st.integers(1, 12), st.integers(1, 400))
def test_the_common_value_is_the_largest_there_is(first, second, value):
    scale = RawScale(F(1), 1, 65535)
    grids = [Grid.of(scale, F(1, first)), Grid.of(scale, F(1, second))]
    both = [r * first for r in range(1, value // first + 1) if r * first % second == 0]
    if not both:
        with pytest.raises(ValueError):
            equal_raws(grids, F(value))
    else:
        assert grids[0].real(equal_raws(grids, F(value))[0]) == both[-1]
