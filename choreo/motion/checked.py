"""What every calculation here accepts as a number."""

from fractions import Fraction
from math import isfinite

Real = float | Fraction

#: Speeds, ramps, jerks, distances and durations of real machines, in any unit; what lies outside is a slip.
SMALLEST, LARGEST = 1e-12, 1e15


def checked_distance(what: str, value: Real) -> float:
    """A signed number, finite and at most LARGEST in size; else ValueError."""
    number = finite(what, value)
    if abs(number) > LARGEST:
        raise ValueError(f"a {what} of {number:g} is beyond {LARGEST:g}")
    return number


def checked_limit(what: str, value: Real) -> float:
    """A positive number from SMALLEST to LARGEST; else ValueError."""
    number = finite(what, value)
    if not SMALLEST <= number <= LARGEST:
        raise ValueError(f"the {what} must be above zero (from {SMALLEST:g} to {LARGEST:g}), and it is {number:g}")
    return number


def finite(what: str, value: Real) -> float:
    """A float that is neither infinite nor "not a number"; else ValueError."""
    try:
        number = float(value)
    except OverflowError:
        number = float("inf")
    if not isfinite(number):
        raise ValueError(f"the {what} must be a finite number, and it is {number}")
    return number
