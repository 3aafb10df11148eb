"""Exact numbers as text: how a `Fraction` stands in a journal."""

from fractions import Fraction


def exact(value: Fraction) -> str:
    """
    `value` as text without loss: a decimal where one exists (`1.5`, `-8`, `4915.2`), otherwise `n/d` (`400/3`).

    `fraction` reads both back to the same value.
    """
    denominator, places = value.denominator, 0
    twos = (denominator & -denominator).bit_length() - 1
    denominator >>= twos
    fives = 0
    while denominator % 5 == 0:
        denominator //= 5
        fives += 1
    if denominator != 1:
        return f"{value.numerator}/{value.denominator}"
    places = max(twos, fives)
    digits = str(abs(value.numerator) * 10**places // value.denominator).rjust(places + 1, "0")
    sign = "-" if value < 0 else ""
    return f"{sign}{digits[:-places]}.{digits[-places:]}" if places else f"{sign}{digits}"


def fraction(value: str | float) -> Fraction:
    """The exact value of what `exact` wrote, or of a number. ValueError for anything else."""
    return Fraction(value)
