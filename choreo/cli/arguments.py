"""
Arguments that several commands share, and how their words become values.

The modules of these values are imported with the first value: they would double the time of `choreo --help`.
"""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable
    from fractions import Fraction
    from pathlib import Path


def add_recipe_arguments(parser: argparse.ArgumentParser, what: str = "the recipe file") -> None:
    """RECIPE, --set and --pace."""
    parser.add_argument("recipe", metavar="RECIPE", type=path, help=what)
    parser.add_argument(
        "--set",
        metavar="NAME=VALUE",
        action="append",
        default=[],
        type=assignment,
        help="set a parameter of the recipe, with its unit: --set 'stroke=600 mm'; may be given several times",
    )
    parser.add_argument(
        "--pace",
        metavar="PERCENT",
        type=pace,
        default="100%",
        help="a factor of at most 100 %% on all speeds: --pace 20%%",
    )


def add_answer(parser: argparse.ArgumentParser) -> None:
    """--answer."""
    parser.add_argument(
        "--answer",
        choices=("yes", "no"),
        default="yes",
        help="what the simulated operator types whenever the recipe asks a person (default yes)",
    )


def add_bus(parser: argparse.ArgumentParser, *, required: bool) -> None:
    """--bus and --bus-option."""
    parser.add_argument(
        "--bus",
        metavar="SPEC",
        required=required,
        help="the real bus: interface:channel in python-can's words (socketcan:can0, slcan:/dev/ttyACM0@115200), "
        "or section:NAME for a section of python-can's own configuration files",
    )
    parser.add_argument(
        "--bus-option",
        metavar="NAME=VALUE",
        action="append",
        default=[],
        type=assignment,
        help="an option of the interface, by python-can's name for it; may be given several times",
    )


def path(text: str) -> Path:
    """A file or a folder."""
    from pathlib import Path

    return Path(text)


def assignment(text: str) -> tuple[str, str]:
    """`name=value`."""
    name, equals, value = text.partition("=")
    if not equals or not name.strip() or not value.strip():
        raise argparse.ArgumentTypeError(f"{text!r} should be a name, =, and a value, such as stroke=600 mm")
    return name.strip(), value.strip()


def pace(text: str) -> Fraction:
    """`20%` or `20 %` or `0.2`, above 0 and at most 1."""
    from fractions import Fraction

    number, sign, rest = text.partition("%")
    try:
        value = Fraction(number.strip()) / (100 if sign else 1)
    except (ValueError, ZeroDivisionError):
        value = Fraction(0)
    if rest.strip() or not 0 < value <= 1:
        raise argparse.ArgumentTypeError(f"{text!r} should be above 0 and at most 100 %, such as 20%")
    return value


def seed(text: str) -> int:
    """A whole number that is not negative."""
    if not (text.isascii() and text.isdigit()) or len(text) > 18:
        raise argparse.ArgumentTypeError(f"{text[:40]!r} should be a whole number, 0 or above, of at most 18 digits")
    return int(text)


def whole(least: int, most: int) -> Callable[[str], int]:
    """A whole number from `least` to `most`."""

    def convert(text: str) -> int:
        if not (text.isascii() and text.isdigit() and len(text) < 18 and least <= int(text) <= most):
            raise argparse.ArgumentTypeError(f"{text[:40]!r} should be a whole number from {least} to {most}")
        return int(text)

    return convert


def duration(text: str) -> int:
    """A time above zero, in nanoseconds: `10min`, `90 s`."""
    from choreo.units import UnitError, convert, dimension_of, parse_quantity

    try:
        quantity = parse_quantity(text)
    except UnitError as wrong:
        raise argparse.ArgumentTypeError(f"{text[:40]!r} should be a time, such as 10min or 90 s: {wrong}") from None
    if dimension_of(quantity.unit) != "time" or not quantity.value > 0:
        raise argparse.ArgumentTypeError(f"{text[:40]!r} should be a time above zero, such as 10min or 90 s")
    return round(convert(quantity.value, quantity.unit, "ns"))
