"""
Quantities: exact numbers with exactly one unit, read from text and shown in text.

Values are Fractions, so `400/3 mm` and `0.1 mm` are what they say. A unit belongs to a dimension, written as a plain
string: `length`, `angle`, `counts`, each also `/time`, `/time^2`, `/time^3`; `time`, `frequency`, `bit rate`,
`proportion`. Nothing converts between dimensions: counts become mm only by an axis' scale (`choreo.motion.scaling`).
"""

import re
from decimal import Context, Decimal
from fractions import Fraction
from functools import lru_cache
from math import isfinite
from typing import NamedTuple

#: pi as a documented rational: its first 40 decimals, cut off. Off by less than 1e-40, so 1e9 counts of pi's multiples
#: are off by less than 1e-30 of a count.
PI = Fraction(3_1415926535_8979323846_2643383279_5028841971, 10**40)

NS_PER_S = 1_000_000_000

#: The longest text that is looked at, in characters, and the largest power of ten, either way.
LONGEST = 80
LARGEST_EXPONENT = 30

_Table = dict[str, tuple[str, Fraction]]

# Each dimension's units as multiples of its base unit: mm, rev, count, s, Hz, bit/s, 1.
_TRAVEL: dict[str, dict[str, Fraction]] = {
    "length": {"um": Fraction(1, 1000), "mm": Fraction(1), "cm": Fraction(10), "m": Fraction(1000)},
    "angle": {"deg": Fraction(1, 360), "rad": 1 / (2 * PI), "rev": Fraction(1)},
    "counts": {"counts": Fraction(1)},
}
_TIME = {
    "ns": Fraction(1, NS_PER_S),
    "us": Fraction(1, 1_000_000),
    "ms": Fraction(1, 1000),
    "s": Fraction(1),
    "min": Fraction(60),
    "h": Fraction(3600),
}
_OTHER: dict[str, dict[str, Fraction]] = {
    "time": _TIME,
    "frequency": {"Hz": Fraction(1), "kHz": Fraction(1000)},
    "bit rate": {"bit/s": Fraction(1), "kbit/s": Fraction(1000), "Mbit/s": Fraction(1_000_000)},
    "proportion": {"%": Fraction(1, 100)},
}
_POWERS = {1: "", 2: "^2", 3: "^3"}
_DENOMINATORS = ("ms", "s", "min", "h")

#: Other ways to write a unit, each with the one that is kept.
_SAME = {"rpm": "rev/min", "count": "counts"}

#: What people write instead, for the near miss only.
_SPOKEN = {
    "sec": "s",
    "secs": "s",
    "second": "s",
    "seconds": "s",
    "minute": "min",
    "minutes": "min",
    "hour": "h",
    "hours": "h",
    "degree": "deg",
    "degrees": "deg",
    "°": "deg",
    "turn": "rev",
    "turns": "rev",
    "r": "rev",
    "micron": "um",
    "microns": "um",
    "percent": "%",
    "bps": "bit/s",
    "kbps": "kbit/s",
    "kbaud": "kbit/s",
    "Mbps": "Mbit/s",
}


def _units() -> _Table:
    """Every unit, by its name: dimension, and factor to the base unit of the dimension."""
    table: _Table = {}
    for dimension, units in _OTHER.items():
        table |= {name: (dimension, factor) for name, factor in units.items()}
    for dimension, units in _TRAVEL.items():
        for name, factor in units.items():
            table[name] = (dimension, factor)
            for per in _DENOMINATORS:
                for power, mark in _POWERS.items():
                    table[f"{name}/{per}{mark}"] = (f"{dimension}/time{mark}", factor / _TIME[per] ** power)
    return table


_UNITS = _units()

#: Every unit by the name that is kept.
UNITS = tuple(_UNITS)

# Plain ASCII digits on purpose: `\d` would take the digits of every script. No part can match the same text in two
# ways, and the text is short, so the match is linear.
_NUMBER = re.compile(r"([+-]?)([0-9]+)(?:(?:\.([0-9]+))?(?:[eE]([+-]?[0-9]+))?|/([0-9]+))(?![0-9.,/])")

_FORMS = "write a number and a unit, such as 600 mm, 0.4 m/s, 400/3 mm or 250 ms"


_KNOWN = (
    "Lengths are in um, mm, cm, m; angles in deg, rad, rev; or counts; speeds such as mm/s, rev/min; "
    "accelerations mm/s^2, jerks mm/s^3; times in ns, us, ms, s, min, h; Hz, kHz; bit/s, kbit/s, Mbit/s; %"
)


class UnitError(ValueError):
    """A text that is not a quantity, an unknown unit, or a unit of another dimension. The text says what is allowed."""


class Quantity(NamedTuple):
    """An exact value in one unit; `unit` is the name as kept here (`mm/s^2`, `rev/min`), never another spelling."""

    value: Fraction
    unit: str

    @property
    def dimension(self) -> str:
        """Such as `length`, `angle/time`, `time`. Raises UnitError for a unit that is not known."""
        return dimension_of(self.unit)

    def to(self, unit: str) -> Fraction:
        """The value in another unit of the same dimension, exactly. Raises UnitError."""
        if unit == self.unit:
            return self.value
        ours, factor = _look_up(self.unit)
        theirs, other = _look_up(unit)
        if ours != theirs:
            raise UnitError(
                f"{self.text()} is of the dimension {ours}, and {theirs} is wanted here: {', '.join(units_of(theirs))}"
            )
        return self.value * factor / other

    def text(self) -> str:
        """For people: `250 mm/s`."""
        return show(self.value, self.unit)


def parse_quantity(text: str) -> Quantity:
    """
    Read a number with exactly one unit: `600 mm`, `-0.05 mm`, `400/3 mm`, `1.5e3 counts/s`, `800 mm/s²`, `40 %`.

    Raises UnitError that says what is wrong and what is allowed.
    """
    if len(text) > LONGEST:
        raise UnitError(f"{_quoted(text)} is too long for a quantity ({len(text)} characters): {_FORMS}")
    return _parse(str(text))


@lru_cache(maxsize=4096)
def _parse(text: str) -> Quantity:
    stripped = text.strip(" \t")
    match = _NUMBER.match(stripped)
    if match is None:
        raise UnitError(_not_a_number(stripped))
    value = _number(match, stripped)
    name = stripped[match.end() :].lstrip(" \t")
    if not name:
        raise UnitError(f"{_quoted(stripped)} has no unit: {_FORMS}")
    unit = _kept(name)
    if unit not in _UNITS:
        raise UnitError(f"{_quoted(stripped)}: {_unknown(name)}")
    return Quantity(value, unit)


def _number(match: re.Match[str], text: str) -> Fraction:
    sign, whole, decimals, exponent, divisor = match.groups()
    if divisor is not None:
        if int(divisor) == 0:
            raise UnitError(f"{_quoted(text)} divides by zero")
        value = Fraction(int(whole), int(divisor))
    else:
        power = int(exponent or 0)
        if abs(power) > LARGEST_EXPONENT:
            raise UnitError(f"{_quoted(text)}: the exponent must lie within -{LARGEST_EXPONENT} and {LARGEST_EXPONENT}")
        places = len(decimals or "") - power
        digits = int(whole + (decimals or ""))
        value = Fraction(digits, 10**places) if places >= 0 else Fraction(digits * 10**-places)
    return -value if sign == "-" else value


def dimension_of(unit: str) -> str:
    """The dimension of a unit. Raises UnitError with the near miss when the unit is not known."""
    return _look_up(unit)[0]


def units_of(dimension: str) -> tuple[str, ...]:
    """The units of a dimension, as kept; the usual ones only where there are many. Raises UnitError."""
    found = tuple(name for name, (its, _) in _UNITS.items() if its == dimension)
    if not found:
        raise UnitError(f"{_quoted(dimension)} is not a dimension")
    usual = tuple(name for name in found if not re.search(r"/(ms|h)|/min\^", name))
    return usual or found


def convert(value: Fraction, unit: str, to: str) -> Fraction:
    """A value in one unit, in another of the same dimension, exactly. Raises UnitError."""
    return Quantity(value, unit).to(to)


def show_ns(ns: int) -> str:
    """A time in nanoseconds for people: `250 ms`, `2.8125 s`, `110 us`."""
    size = abs(ns)
    for unit, per in (("s", NS_PER_S), ("ms", 1_000_000), ("us", 1000)):
        if size >= per:
            return show(Fraction(ns, per), unit)
    return f"{ns} ns" if ns else "0 s"


def show(value: Fraction | float, unit: str, places: int | None = None) -> str:
    """
    A value with its unit for people: `250 mm/s`, `0.05 mm`, `133.3333 mm`. An empty unit gives the bare number.

    At most `places` decimals, rounded half away from zero, without trailing zeros. When `places` is not given: four
    decimals, or as many as make three significant digits, and an exponent only from 1e15 and below 1e-9.
    """
    number = _digits(value, places)
    return f"{number} {unit}" if unit else number


def _digits(value: Fraction | float, places: int | None) -> str:
    if isinstance(value, float) and not isfinite(value):
        return str(value)
    exact = Fraction(value)
    size = abs(exact)
    if places is None:
        if size and not Fraction(1, 10**9) <= size < 10**15:
            return _with_exponent(exact)
        places = 4
        while size and size * 10**places < 100 and places < 11:
            places += 1
    scaled = (size * 10**places + Fraction(1, 2)).__floor__()
    whole, rest = divmod(scaled, 10**places)
    decimals = f"{rest:0{places}d}".rstrip("0") if rest else ""
    sign = "-" if exact < 0 and scaled else ""
    return f"{sign}{whole}.{decimals}" if decimals else f"{sign}{whole}"


def _with_exponent(exact: Fraction) -> str:
    """Four significant digits and a power of ten, of a Fraction of any size: `3.333e19`."""
    rounded = Context(prec=4).divide(Decimal(exact.numerator), Decimal(exact.denominator)).normalize()
    return f"{rounded:e}".replace("e+", "e")


def _kept(name: str) -> str:
    """The spelling that is kept: micro signs become u, raised figures become ^2 and ^3."""
    if not name.isascii():
        name = name.replace("µ", "u").replace("μ", "u").replace("²", "^2").replace("³", "^3")
    return _SAME.get(name, name)


def _look_up(unit: str) -> tuple[str, Fraction]:
    found = _UNITS.get(unit) or _UNITS.get(_kept(unit))
    if found is None:
        raise UnitError(_unknown(unit))
    return found


def _unknown(name: str) -> str:
    from difflib import get_close_matches

    if re.match(r"[0-9+.,/-]", name) or " " in name or "\t" in name:
        return f"exactly one number and one unit are wanted; {_quoted(name)} is left over"
    folded = {unit.lower(): unit for unit in _UNITS}
    near = _SPOKEN.get(name) or folded.get(name.lower()) or next(iter(get_close_matches(name[:20], _UNITS, 1, 0.5)), "")
    hint = f"; did you mean {near}?" if near else "."
    return f"{_quoted(name)} is not a unit here{hint} {_KNOWN}"


def _not_a_number(text: str) -> str:
    if not text:
        return f"an empty text is not a quantity: {_FORMS}"
    if re.match(r"[+-]?[0-9]*,[0-9]", text) or re.match(r"[+-]?[0-9]+,", text):
        return f"{_quoted(text)} has a comma in its number; decimals are written with a point, such as 0.5 mm"
    if text[0] in "−–":
        return f"{_quoted(text)} begins with a dash; a negative number begins with -"
    if text[0] == "." or re.match(r"[+-]\.", text):
        return f"{_quoted(text)} has no digit before the point; write 0.5 mm"
    if re.match(r"[+-]?[0-9]", text):
        return f"the number in {_quoted(text)} is neither a decimal nor one whole number over another: {_FORMS}"
    return f"{_quoted(text)} does not begin with a number: {_FORMS}"


def _quoted(text: str) -> str:
    """As much of the user's text as helps, on one line, printable."""
    cut = text if len(text) <= 40 else text[:36] + "..."
    return "'" + "".join(c if c.isprintable() else f"\\u{ord(c):04x}" for c in cut) + "'"
