"""Words of the command line as values."""

from argparse import ArgumentTypeError
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from choreo.cli.arguments import assignment, pace, seed


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("20%", Fraction(1, 5)),
        ("20 %", Fraction(1, 5)),
        ("100%", 1),
        ("0.2", Fraction(1, 5)),
        ("12.5%", Fraction(1, 8)),
        ("1", 1),
    ],
)
def test_a_pace_is_exact(text, value):
    assert pace(text) == value


@pytest.mark.parametrize(
    "text", ["0%", "0", "-20%", "101%", "1.01", "fast", "", "%", "20%%", "20% or so", "nan", "1/0"]
)
def test_a_pace_outside_is_refused(text):
    with pytest.raises(ArgumentTypeError, match="at most 100 %"):
        pace(text)


@given(st.integers(1, 10_000))
def test_any_share_is_read_exactly(parts):
    assert pace(f"{parts // 100}.{parts % 100:02d}%") == Fraction(parts, 10_000)


@pytest.mark.parametrize(
    ("text", "pair"),
    [
        ("stroke=600 mm", ("stroke", "600 mm")),
        (" stroke = 600 mm ", ("stroke", "600 mm")),
        ("a=b=c", ("a", "b=c")),
    ],
)
def test_an_assignment_is_split_at_its_first_sign(text, pair):
    assert assignment(text) == pair


@pytest.mark.parametrize("text", ["stroke", "=600 mm", "stroke=", " = ", ""])
def test_half_an_assignment_is_refused(text):
    with pytest.raises(ArgumentTypeError, match="stroke=600 mm"):
        assignment(text)


@pytest.mark.parametrize("text", ["-1", "1.5", "x", "", "१", "1" * 19])
def test_a_seed_is_a_plain_whole_number(text):
    with pytest.raises(ArgumentTypeError, match="whole number"):
        seed(text)


@given(st.integers(0, 10**18 - 1))
def test_any_seed_is_read(number):
    assert seed(str(number)) == number
