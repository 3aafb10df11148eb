"""
The scalars of the language. All are made of `Text`, none of what a YAML library thinks of it: numbers, booleans (YAML
1.2: `true` and `false` alone) and quantities are read by us, and every one keeps its place.

A *reader* here is what pydantic calls for a field: it takes the part of the tree and returns the value, or raises
`PydanticCustomError` with a rule, a headline and what to do.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from fractions import Fraction
from functools import lru_cache
from typing import Annotated, Any, NamedTuple

from pydantic_core import PydanticCustomError, core_schema

from choreo.diagnostic.finding import Span
from choreo.text.tree import Branch, Items, Text
from choreo.units import Quantity, UnitError, parse_quantity, units_of

_REFERENCE = re.compile(r"(-?)\$([A-Za-z_][A-Za-z0-9_]*)")
_BARE = re.compile(r"[+-]?[0-9][0-9.]*([eE][+-]?[0-9]+|/[0-9]+)?")
_WHOLE = re.compile(r"[+-]?[0-9]{1,12}")

#: No value of a real machine is larger, in the smallest unit of its dimension: nanoseconds, micrometres.
LARGEST = 10**15

#: What an axis, a pair, a position or a parameter may be called.
IDENTIFIER = r"[A-Za-z_][A-Za-z0-9_]*"


class ParameterRef(NamedTuple):
    """`$stroke`, or `-$stroke` when `negated`."""

    name: str
    negated: bool = False


class Amount(NamedTuple):
    """A quantity as it stands in a file: the exact value with its unit, or the parameter that gives it."""

    given: Quantity | ParameterRef
    text: Text

    @property
    def span(self) -> Span:
        """Where it stands."""
        return self.text.span


class Count(int):
    """A whole number without a unit (a node number, a number of times) that knows its place."""

    text: Text

    @property
    def span(self) -> Span:
        """Where it stands."""
        return self.text.span


def wrong(rule: str, headline: str, help: str = "") -> PydanticCustomError:
    """What a reader raises. The headline is completed by the key in front of it."""
    return PydanticCustomError(rule, "{headline}", {"headline": headline, "help": help})


def kind_of(value: object) -> str:
    """What stands somewhere, in words."""
    if isinstance(value, Branch):
        return "a mapping"
    if isinstance(value, Items):
        return "a list"
    if isinstance(value, Text):
        return "nothing" if value.missing else f"`{shortened(value)}`"
    return "something else"


def shortened(text: str, room: int = 40) -> str:
    """As much of a text as fits into a headline, on one line."""
    flat = " ".join(text.split())
    return flat if len(flat) <= room else flat[: room - 1] + "…"


def _no_unit(text: str) -> tuple[str, str]:
    return "unit-missing", f"has no unit: the bare number {text} stands here"


class Reader:
    """A field's reader for pydantic, with what it looks like in JSON Schema."""

    def __init__(self, read: Callable[[Any], Any], schema: dict[str, Any]) -> None:
        self.read = read
        self.schema = schema

    def __get_pydantic_core_schema__(self, source: Any, handler: Any) -> core_schema.CoreSchema:
        return core_schema.no_info_plain_validator_function(
            self.read, metadata={"pydantic_js_functions": [lambda schema, handler: dict(self.schema)]}
        )


class Kind:
    """
    What a quantity may be where it stands: the words for it, its dimensions, an example, the range of its own.

    `least` and `most` are in the base unit of the first dimension. With `above`, `least` itself is out of range.
    """

    def __init__(
        self, words: str, dimensions: tuple[str, ...], example: str, *, sign: str = "any", most: Quantity | None = None
    ) -> None:
        self.words = words
        self.dimensions = dimensions
        self.example = example
        self.sign = sign
        self.most = most
        self._cached = lru_cache(maxsize=8192)(self._parse)

    def read(self, value: Any, info: Any) -> Amount:
        """Read an amount. References to parameters are noted in the context of the reading, to be looked at later."""
        if type(value) is not Text:
            raise wrong(
                "wrong-type", f"must be {self.words}, and {kind_of(value)} stands here", f"Write {self.example}."
            )
        amount = Amount(self._cached(value), value)
        if type(amount.given) is ParameterRef and info.context is not None:
            info.context.append((amount, self))
        return amount

    def _parse(self, text: Text) -> Quantity | ParameterRef:
        if text.missing:
            raise wrong("missing-value", "has no value", f"Write {self.words}, such as {self.example}.")
        if "$" in text:
            match = _REFERENCE.fullmatch(text)
            if match is None:
                raise wrong("bad-reference", f"`{shortened(text)}` is no parameter", "Write `$name`, or `-$name`.")
            return ParameterRef(match[2], bool(match[1]))
        try:
            quantity = parse_quantity(str(text))
        except UnitError as problem:
            rule, headline = ("bad-quantity", str(problem)) if not _BARE.fullmatch(text) else _no_unit(text)
            raise wrong(rule, headline, f"Write {self.words}, such as {self.example}.") from None
        problem_found = self.objection(quantity)
        if problem_found is not None:
            raise wrong(*problem_found)
        return quantity

    def objection(self, quantity: Quantity) -> tuple[str, str, str] | None:
        """Rule, headline and help when a value cannot stand here; None when it can."""
        if quantity.dimension not in self.dimensions:
            return (
                "wrong-dimension",
                f"{quantity.text()} is of the dimension {quantity.dimension}, and {self.words} is wanted",
                f"Write {self.words}, such as {self.example}.",
            )
        if self.sign == "positive" and quantity.value <= 0:
            return "out-of-range", f"must be greater than zero, and {quantity.text()} stands here", ""
        if self.sign == "not negative" and quantity.value < 0:
            return "out-of-range", f"must not be negative, and {quantity.text()} stands here", ""
        base = units_of(quantity.dimension)[0]
        if abs(quantity.to(base)) > LARGEST:
            return "out-of-range", f"must be at most {LARGEST:.0e} {base} in size", "Look at the exponent and the unit."
        if self.most is not None and quantity.to(self.most.unit) > self.most.value:
            return "out-of-range", f"must be at most {self.most.text()}, and {quantity.text()} stands here", ""
        return None

    def __get_pydantic_core_schema__(self, source: Any, handler: Any) -> core_schema.CoreSchema:
        return core_schema.with_info_plain_validator_function(
            self.read, metadata={"pydantic_js_functions": [lambda schema, handler: self.json_schema()]}
        )

    def json_schema(self) -> dict[str, Any]:
        """A text with a number and a unit of one of the dimensions, or a parameter."""
        units = "|".join(_unit_pattern(dimension) for dimension in self.dimensions)
        number = r"[+-]?[0-9]+(\.[0-9]+)?([eE][+-]?[0-9]+|/[0-9]+)?"
        return {
            "type": "string",
            "pattern": rf"^\s*{number}\s*({units})\s*$|^-?\${IDENTIFIER}$",
            "description": f"{self.words}, such as {self.example}",
            "examples": [self.example],
        }


#: Other spellings that `units` reads.
_SPELLINGS = {"um": "[uµμ]m", "us": "[uµμ]s", "counts": "counts?", "%": "%"}


def _unit_pattern(dimension: str) -> str:
    """A regular expression for the units of a dimension, in every spelling; it may take one too many."""
    base, _, per = dimension.partition("/")
    units = "|".join(_SPELLINGS.get(unit, unit) for unit in units_of(base))
    if not per:
        return f"({units})"
    power = {"time": "", "time^2": r"(\^2|²)", "time^3": r"(\^3|³)"}[per]
    speed = "|rpm" if dimension == "angle/time" else ""
    return f"({units})/(ms|s|min|h){power}{speed}"


_TRAVEL = ("length", "angle")

Time = Annotated[Amount, Kind("a time", ("time",), "250 ms", sign="not negative")]
PositiveTime = Annotated[Amount, Kind("a time above zero", ("time",), "6 s", sign="positive")]
Position = Annotated[Amount, Kind("a position with its unit", _TRAVEL, "100 mm")]
Distance = Annotated[Amount, Kind("a distance with its unit", _TRAVEL, "3 mm", sign="positive")]
Speed = Annotated[Amount, Kind("a speed", tuple(f"{d}/time" for d in _TRAVEL), "250 mm/s", sign="positive")]
Acceleration = Annotated[
    Amount, Kind("an acceleration", tuple(f"{d}/time^2" for d in _TRAVEL), "800 mm/s^2", sign="positive")
]
Jerk = Annotated[Amount, Kind("a jerk", tuple(f"{d}/time^3" for d in _TRAVEL), "8000 mm/s^3", sign="positive")]
Percent = Annotated[
    Amount, Kind("a percentage", ("proportion",), "40 %", sign="positive", most=Quantity(Fraction(100), "%"))
]
Noise = Annotated[Amount, Kind("a number of counts", ("counts",), "2 counts", sign="not negative")]
BitRate = Annotated[
    Amount, Kind("a bit rate", ("bit rate",), "500 kbit/s", sign="positive", most=Quantity(Fraction(1), "Mbit/s"))
]
Frequency = Annotated[
    Amount, Kind("a frequency", ("frequency",), "50 Hz", sign="positive", most=Quantity(Fraction(1), "kHz"))
]
Length = Annotated[Amount, Kind("a length", ("length",), "18 m", sign="positive")]
AnyAmount = Annotated[
    Amount,
    Kind(
        "a quantity with its unit",
        (*(d + per for d in _TRAVEL for per in ("", "/time", "/time^2", "/time^3")), "time", "proportion"),
        "600 mm",
    ),
]


def _read_word(value: Any) -> Text:
    if type(value) is not Text:
        raise wrong("wrong-type", f"must be a text, and {kind_of(value)} stands here")
    if not value.strip():
        raise wrong("missing-value", "has no value", "Write a text, or delete the key.")
    return value


def _read_name(value: Any) -> Text:
    if type(value) is not Text:
        raise wrong("wrong-type", f"must be one name, and {kind_of(value)} stands here")
    if value.missing:
        raise wrong("missing-value", "has no value", "Write a name.")
    return value


def read_names(value: Any) -> tuple[Text, ...]:
    """One name or a list of names, as a tuple."""
    if type(value) is Text:
        return (_read_name(value),)
    if type(value) is not Items:
        raise wrong(
            "wrong-type",
            f"must be `all`, the name of an axis or a pair, or a list of names, and {kind_of(value)} stands here",
            "Write `all`, `lift` or `[beam, carriage]`.",
        )
    if not value:
        raise wrong("empty-list", "names nothing", "Name at least one axis or pair, or write `all`.")
    return tuple(_read_name(item) for item in value)


def _read_flag(value: Any) -> bool:
    if type(value) is Text and value.plain and value in ("true", "false"):
        return value == "true"
    raise wrong("wrong-type", f"must be true or false, and {kind_of(value)} stands here", "Write `true` or `false`.")


def whole(least: int, most: int) -> Reader:
    """A reader of whole numbers from `least` to `most`."""

    def read(value: Any) -> Count:
        if type(value) is not Text or not value.plain or _WHOLE.fullmatch(value) is None:
            raise wrong(
                "wrong-type",
                f"must be a whole number without a unit, and {kind_of(value)} stands here",
                f"Write a number from {least} to {most}.",
            )
        number = Count(value)
        if not least <= number <= most:
            raise wrong("out-of-range", f"must lie between {least} and {most}, and {number} stands here")
        number.text = value
        return number

    return Reader(read, {"type": "integer", "minimum": least, "maximum": most})


_A_NAME = {"type": "string", "pattern": f"^{IDENTIFIER}$"}

Word = Annotated[Text, Reader(_read_word, {"type": ["string", "number"]})]
Name = Annotated[Text, Reader(_read_name, _A_NAME)]
NAMES_SCHEMA = {"anyOf": [_A_NAME, {"type": "array", "items": _A_NAME, "minItems": 1}]}
Names = Annotated[tuple[Text, ...], Reader(read_names, NAMES_SCHEMA)]
Flag = Annotated[bool, Reader(_read_flag, {"type": "boolean"})]
