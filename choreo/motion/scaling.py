"""
The drive train as exact numbers: how many counts of a drive make a unit of travel, and back.

Counts are rounded once, from an exact position: half up, so that a position and the same position a whole number of
counts further are rounded alike. A chain of `by` moves is the difference of two rounded positions, so nothing is
carried along and a thousand of them end where the exact sum says (the drift trap of facts.md E11).
"""

from dataclasses import dataclass
from fractions import Fraction

from choreo.units import PI

_HALF = Fraction(1, 2)

#: Digits of a cosine: like PI cut to 40, computed with ten to spare.
_COSINE_DIGITS, _SPARE = 40, 10


@dataclass(frozen=True, slots=True)
class DriveTrain:
    """
    From the motor's encoder to the travel of the axis.

    `motor` turns of the motor make `output` turns of the output shaft (10 and 1 for a 10:1 reducer), and a turn of the
    output shaft makes `travel_per_output_rev` units of travel (mm, deg, rev). `inverted`: counting up moves the axis in
    its negative direction. Raises ValueError for a number that is not positive.
    """

    counts_per_motor_rev: Fraction
    motor: Fraction
    output: Fraction
    travel_per_output_rev: Fraction
    inverted: bool = False

    def __post_init__(self) -> None:
        """Refuse what no drive train can be."""
        for name in ("counts_per_motor_rev", "motor", "output", "travel_per_output_rev"):
            value = getattr(self, name)
            if not value > 0:
                raise ValueError(f"{name} of a drive train must be above zero, and it is {value}")

    @property
    def counts_per_unit(self) -> Fraction:
        """Counts per unit of travel, exactly; negative when inverted."""
        size = Fraction(self.counts_per_motor_rev) * self.motor / (self.output * self.travel_per_output_rev)
        return -size if self.inverted else size

    def motor_speed(self, speed: Fraction) -> Fraction:
        """Turns of the motor per second at `speed` units per second, never negative; the first sanity check (P27)."""
        return abs(speed) / self.travel_per_output_rev * self.motor / self.output


def rack_travel(module: Fraction, teeth: int, helix_angle: Fraction = Fraction(0)) -> Fraction:
    """
    Travel per turn of a pinion on a rack: pi * module * teeth / cos(helix angle), in the unit of the module.

    `module` is the normal module, `helix_angle` in degrees, below 90 either way. pi is the rational `units.PI`, the
    cosine a rational to 40 decimals. Raises ValueError. Source of the formula: facts.md E11.
    """
    if not module > 0 or teeth < 1:
        raise ValueError(f"a pinion has a module above zero and at least one tooth, not {module} and {teeth}")
    if not -90 < helix_angle < 90:
        raise ValueError(f"a helix angle lies between -90 and 90 deg, and it is {float(helix_angle):g} deg")
    return PI * module * teeth / _cosine(helix_angle)


def round_half_up(exact: Fraction) -> int:
    """The nearest integer; of two the upper one, below zero too."""
    return (exact + _HALF).__floor__()


def to_counts(position: Fraction, counts_per_unit: Fraction) -> int:
    """The counts of an exact position from its anchor."""
    return round_half_up(position * counts_per_unit)


def to_units(counts: int, counts_per_unit: Fraction) -> Fraction:
    """The exact position that a number of counts stands for."""
    return counts / counts_per_unit


def move_counts(before: Fraction, after: Fraction, counts_per_unit: Fraction) -> int:
    """Counts of a move between two exact positions: round(after) - round(before)."""
    return to_counts(after, counts_per_unit) - to_counts(before, counts_per_unit)


def rate_in_counts(rate: Fraction, counts_per_unit: Fraction) -> Fraction:
    """A speed, acceleration or jerk (units/s, /s^2, /s^3) in counts, exact and without its sign, as drives take it."""
    return abs(rate * counts_per_unit)


def rate_in_units(rate: Fraction, counts_per_unit: Fraction) -> Fraction:
    """What a speed, acceleration or jerk in counts means in units, never negative."""
    return abs(rate / counts_per_unit)


def _cosine(degrees: Fraction) -> Fraction:
    """cos of an angle between -90 and 90 deg as a rational: its Taylor series in whole numbers of 1e-50."""
    one = 10 ** (_COSINE_DIGITS + _SPARE)
    x = round_half_up(degrees * PI / 180 * one)
    square = x * x // one
    term = total = one
    n = 0
    while term:
        n += 2
        term = term * square // one // (n * (n - 1))
        total += -term if n % 4 else term
    return Fraction(round_half_up(Fraction(total, 10**_SPARE)), 10**_COSINE_DIGITS)
