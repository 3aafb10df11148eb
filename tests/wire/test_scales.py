"""Raw units that are not linear: by hand, and laws (practice.md P24, common practice, no source)."""

from fractions import Fraction as F

import pytest
from hypothesis import given
from hypothesis import strategies as st

from choreo.plan.rounding import Grid, equal_raws
from choreo.wire.dialect import RawScale
from choreo.wire.scales import PolynomialScale, ReciprocalScale, TableScale

ROUNDINGS = st.sampled_from(["down", "up", "nearest"])
specials = st.sampled_from([None, {0: "no limit"}, {3: "reserved"}, {7: "off", 8: "off"}])


@st.composite
def scales(draw):
    """A scale of any kind, strictly monotone, with few codes."""
    way, special = draw(ROUNDINGS), draw(specials)
    kind = draw(st.sampled_from(["table", "polynomial", "reciprocal", "linear"]))
    first = draw(st.integers(1, 6))
    last = first + draw(st.integers(4, 30))
    if kind == "linear":
        return RawScale(draw(st.fractions(F(1, 9), 50, max_denominator=9)), first, last, way, special)
    if kind == "reciprocal":
        return ReciprocalScale(draw(st.fractions(1, 10_000, max_denominator=5)), first, last, way, special)
    if kind == "polynomial":
        parts = [draw(st.fractions(0, 9, max_denominator=4)) for _ in range(3)]
        return PolynomialScale((*parts, F(1, 3)), first, last, way, special)
    meanings = sorted(draw(st.sets(st.fractions(F(1, 7), 1000, max_denominator=7), min_size=2, max_size=12)))
    codes = sorted(draw(st.sets(st.integers(10, 99), min_size=len(meanings), max_size=len(meanings))))
    if draw(st.booleans()):
        codes.reverse()
    return TableScale(dict(zip(codes, meanings, strict=True)), way, special)


def between(low, high):
    """A fraction from low to high."""
    return st.integers(0, 997).map(lambda part: low + (high - low) * F(part, 997))


def lawful_of(scale):
    """Every lawful code with its meaning, by trying all."""
    found = {}
    for code in range(scale.minimum, scale.maximum + 1):
        if code not in (scale.special or {}):
            try:
                found[code] = scale.from_raw(code)
            except ValueError:
                continue
    return found


@given(st.data(), scales())
def test_rounding_is_what_trying_all_codes_says(data, scale):
    lawful = lawful_of(scale)
    low, high = min(lawful.values()), max(lawful.values())
    physical = data.draw(st.one_of(between(low, high), st.sampled_from(list(lawful.values()))))
    try:
        raw = scale.to_raw(physical)
    except ValueError:
        assert isinstance(scale, RawScale)  # its special and outermost values refuse; other scales pass over them
        return
    below = max(meaning for meaning in lawful.values() if meaning <= physical)
    above = min(meaning for meaning in lawful.values() if meaning >= physical)
    allowed = {"down": {below}, "up": {above}}.get(
        scale.rounding, {below} if physical - below < above - physical else {above}
    )
    assert lawful[raw] in allowed


@given(st.data(), scales())
def test_the_most_that_is_not_above(data, scale):
    lawful = {code: meaning for code, meaning in lawful_of(scale).items() if meaning > 0}
    physical = data.draw(between(F(0), 2 * max(lawful.values())))
    allowed = {code: meaning for code, meaning in lawful.items() if meaning <= physical}
    expected = max(allowed, key=lambda code: allowed[code]) if allowed else None
    assert scale.at_most(physical) == expected
    assert scale.slowest == min(lawful, key=lambda code: lawful[code])


@given(scales())
def test_floor_and_ceiling_are_meanings(scale):
    lawful = lawful_of(scale)
    if not isinstance(scale, RawScale):
        assert (scale.floor, scale.ceiling) == (min(lawful.values()), max(lawful.values()))
        for physical in (scale.floor - 1, scale.ceiling + 1):
            with pytest.raises(ValueError, match="outside"):
                scale.to_raw(physical)


def test_three_times_the_square_by_hand():
    """speed = 3 code^2 counts/s: 3, 12, 27, 48 ... 3 * 255^2 = 195,075."""
    scale = PolynomialScale((F(0), F(0), F(3)), 1, 255)
    assert [scale.to_raw(F(v)) for v in (3, 11, 12, 26, 27, 195_075)] == [1, 1, 2, 2, 3, 255]
    assert scale.from_raw(255) == 195_075
    assert (scale.minimum, scale.maximum, scale.floor, scale.ceiling) == (1, 255, 3, 195_075)


def test_a_reciprocal_falls_by_hand():
    """4,000,000 / code counts/s^2: code 4 is 1,000,000, code 5 is 800,000; down is towards the smaller acceleration."""
    scale = ReciprocalScale(F(4_000_000), 4, 4000)
    assert scale.to_raw(F(1_000_000)) == 4
    assert scale.to_raw(F(999_999)) == 5
    assert (scale.minimum, scale.maximum, scale.slowest) == (4, 4000, 4000)
    assert (scale.floor, scale.ceiling) == (1000, 1_000_000)
    assert scale.at_most(F(999)) is None


def test_a_table_may_have_a_meaning_at_code_0():
    scale = TableScale({0: F(10), 1: F(25), 4: F(60)}, special={2: "reserved"})
    assert [scale.to_raw(F(v)) for v in (10, 24, 25, 59, 60)] == [0, 0, 1, 1, 4]
    assert scale.slowest == 0
    with pytest.raises(ValueError, match="code 2 is not in the table"):
        scale.from_raw(2)


counts_per_unit = st.fractions(min_value=F(1, 7), max_value=200, max_denominator=7).flatmap(
    lambda size: st.sampled_from([size, -size])
)


@given(st.data(), scales(), counts_per_unit, st.sampled_from([F(1), F(-1), F(2), F(3, 2)]))
def test_two_sides_of_a_pair_get_the_largest_value_that_they_share(data, scale, per_unit, ratio):
    """practice.md P24: both sides of a pair must come out equal."""
    grids = [Grid.of(scale, per_unit), Grid.of(scale, per_unit * ratio)]
    reals = [{grid.real(code) for code, meaning in lawful_of(scale).items() if meaning > 0} for grid in grids]
    value = data.draw(st.one_of(between(F(0), max(reals[0])), st.sampled_from(sorted(reals[0]))))
    shared = [real for real in reals[0] & reals[1] if real <= value]
    if isinstance(scale, RawScale) or (abs(ratio) == 1 and scale.rounding != "down"):
        return  # the laws of the linear ones are in plan/test_plan_rounding.py; alike sides round as the dialect says
    if not shared:
        with pytest.raises(ValueError):
            equal_raws(grids, value)
        return
    first, second = (grid.real(raw) for grid, raw in zip(grids, equal_raws(grids, value), strict=True))
    assert first == second == max(shared)


def test_sides_of_different_kinds_meet_where_they_can():
    """3 code^2 against steps of 6: 12, 48, 108 ... are the even codes."""
    square = Grid.of(PolynomialScale((F(0), F(0), F(3)), 1, 255), F(1))
    line = Grid.of(RawScale(F(6), 1, 1000), F(1))
    assert equal_raws([square, line], F(50)) == [4, 8]
    assert equal_raws([line, square], F(47)) == [2, 2]
    with pytest.raises(ValueError, match="in common"):
        equal_raws([square, line], F(11))


def test_sides_that_round_differently_still_come_out_equal():
    down, nearest = (Grid.of(RawScale(F(10), 1, 100, way), F(1)) for way in ("down", "nearest"))
    assert equal_raws([down, nearest], F(38)) == [3, 3]
