"""Every unit against pint, a general-purpose library of units, calculating in fractions."""

from fractions import Fraction

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from choreo.units import UNITS, Quantity, UnitError, dimension_of, parse_quantity

registry = pint.UnitRegistry(non_int_type=Fraction)

#: pint's names where they differ from the ones here.
_NAMES = {"um": "micrometer", "deg": "degree", "rad": "radian", "rev": "turn", "counts": "count", "%": "percent"}


def in_pint(unit):
    if unit.endswith("bit/s"):
        return registry.parse_units(unit)
    over, _, under = unit.partition("/")
    return registry.parse_units(_NAMES.get(over, over) + (f"/({under.replace('^', '**')})" if under else ""))


def agree(ours, theirs):
    """Equal, or, where pi is in it, to 35 digits: pint's pi has more digits."""
    return abs(ours - Fraction(theirs)) <= abs(ours) / 10**35


@pytest.mark.parametrize("unit", UNITS)
def test_every_unit_has_the_size_that_pint_gives_it(unit):
    same = [other for other in UNITS if dimension_of(other) == dimension_of(unit)]
    for other in same:
        theirs = registry.Quantity(Fraction(1), in_pint(unit)).to(in_pint(other)).magnitude
        assert agree(Quantity(Fraction(1), unit).to(other), theirs), (unit, other)


@given(
    st.fractions(min_value=-(10**6), max_value=10**6, max_denominator=10**4),
    st.sampled_from(UNITS),
    st.sampled_from(UNITS),
)
def test_conversions_agree_with_pint(value, unit, other):
    quantity = parse_quantity(f"{value} {unit}")
    if dimension_of(unit) == dimension_of(other):
        theirs = registry.Quantity(value, in_pint(unit)).to(in_pint(other)).magnitude
        assert agree(quantity.to(other), theirs)
    else:
        with pytest.raises(UnitError):
            quantity.to(other)


@pytest.mark.parametrize(("unit", "other"), [("mm", "s"), ("mm/s", "mm/s^2"), ("bit/s", "mm/s"), ("mm", "deg")])
def test_pint_too_sees_these_as_different_dimensions(unit, other):
    with pytest.raises(pint.DimensionalityError):
        registry.Quantity(Fraction(1), in_pint(unit)).to(in_pint(other))
    with pytest.raises(UnitError):
        Quantity(Fraction(1), unit).to(other)
