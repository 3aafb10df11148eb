"""How fractions stand in a journal."""

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from choreo.journal import exact, fraction


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (Fraction(0), "0"),
        (Fraction(3, 2), "1.5"),
        (Fraction(-69, 10), "-6.9"),
        (Fraction(-1, 100), "-0.01"),
        (Fraction(24576, 5), "4915.2"),
        (Fraction(1, 8), "0.125"),
        (Fraction(400, 3), "400/3"),
        (Fraction(-8192, 3), "-8192/3"),
        (Fraction(1200), "1200"),
    ],
)
def test_a_decimal_where_one_exists_otherwise_a_ratio(value, text):
    assert exact(value) == text


@given(st.fractions())
def test_nothing_is_lost(value):
    assert fraction(exact(value)) == value


@given(st.integers(), st.integers(0, 30), st.integers(0, 30))
def test_a_ratio_is_written_only_where_no_decimal_exists(numerator, twos, fives):
    assert "/" not in exact(Fraction(numerator, 2**twos * 5**fives))


@pytest.mark.parametrize("text", ["", "nan", "1/0", "1 mm", "inf"])
def test_other_text_is_refused(text):
    with pytest.raises((ValueError, ZeroDivisionError)):
        fraction(text)
