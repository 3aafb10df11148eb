"""Parameters: their values, what `--set` makes of them, and whether each fits where it is used."""

from __future__ import annotations

from collections.abc import Mapping

from choreo.diagnostic import Mark, Span, did_you_mean
from choreo.recipe.model import Parameter
from choreo.recipe.reading import Reading
from choreo.recipe.scalars import Amount, ParameterRef, shortened
from choreo.recipe.wrong import joined
from choreo.text.tree import Text
from choreo.units import Quantity, UnitError, parse_quantity

#: The file that findings about `--set` name; its lines are the settings in the order given.
COMMAND_LINE = "--set"


class Values:
    """The parameters as they are set. `places` are where each value stands: in the file, or on the command line."""

    def __init__(self) -> None:
        self.quantities: dict[str, Quantity] = {}
        self.places: dict[str, Span] = {}

    def of(self, amount: Amount) -> Quantity | None:
        """The value of an amount; None when its parameter has none, which has been said where it is used."""
        if not isinstance(amount.given, ParameterRef):
            return amount.given
        found = self.quantities.get(amount.given.name)
        if found is None or not amount.given.negated:
            return found
        return Quantity(-found.value, found.unit)


def set_parameters(parameters: Mapping[Text, Parameter], overrides: Mapping[str, str], reading: Reading) -> Values:
    """Every parameter's value: the file's, or that of `overrides`, each within what is allowed."""
    values = Values()
    for name, parameter in parameters.items():
        given = parameter.value.given
        if isinstance(given, ParameterRef):
            _no_reference(parameter.value, reading)
        elif _allowed(name, given, parameter, parameter.value.span, reading):
            values.quantities[str(name)] = given
            values.places[str(name)] = parameter.value.span
    reading.lines[COMMAND_LINE] = [f"{name}={text}" for name, text in overrides.items()]
    for number, (wanted, text) in enumerate(overrides.items(), start=1):
        _override(number, wanted, text, parameters, values, reading)
    return values


def _override(
    number: int, name: str, text: str, parameters: Mapping[Text, Parameter], values: Values, reading: Reading
) -> None:
    at_name = Span(COMMAND_LINE, number, 1, max(1, len(name)))
    at_value = Span(COMMAND_LINE, number, len(name) + 2, max(1, len(text)))
    parameter = parameters.get(Text(name))
    if parameter is None:
        headline = f"the recipe has no parameter `{shortened(name)}`"
        reading.error(
            "unknown-parameter", headline, at_name, help=did_you_mean(name, parameters, _none_at_all(parameters))
        )
        return
    try:
        quantity = parse_quantity(text)
    except UnitError as problem:
        reading.error("bad-quantity", f"`{name}`: {problem}", at_value)
        return
    given = parameter.value.given
    if isinstance(given, Quantity) and given.dimension != quantity.dimension:
        headline = f"`{name}` is {quantity.text()}, and the recipe has {given.text()}: another dimension"
        reading.error("wrong-dimension", headline, at_value, others=[Mark(parameter.value.span, "the recipe")])
        return
    if _allowed(Text(name), quantity, parameter, at_value, reading):
        values.quantities[name] = quantity
        values.places[name] = at_value


def _none_at_all(parameters: Mapping[Text, Parameter]) -> str:
    return "" if parameters else "It has no parameters at all."


def _no_reference(amount: Amount, reading: Reading) -> None:
    headline = f"`{shortened(amount.text)}`: a parameter cannot be given by another"
    reading.error("bad-reference", headline, amount.span, help="Write a quantity with its unit.")


def _allowed(name: Text, value: Quantity, parameter: Parameter, place: Span, reading: Reading) -> bool:
    """Whether a value lies within what is allowed; what is allowed must be a range of the same dimension."""
    if parameter.allowed is None:
        return True
    ends: list[Quantity] = []
    for end in parameter.allowed:
        if isinstance(end.given, ParameterRef):
            _no_reference(end, reading)
        elif end.given.dimension != value.dimension:
            headline = f"`{name}` is {value.text()}, and {end.given.text()} is of another dimension"
            reading.error("wrong-dimension", headline, end.span, others=[Mark(place, "the value")])
        else:
            ends.append(end.given)
    if len(ends) < 2:
        return False
    low, high = ends
    if high.to(low.unit) < low.value:
        headline = f"`{name}` is allowed from {low.text()} to {high.text()}, which is nothing"
        reading.error("empty-range", headline, parameter.allowed[1].span, help="Write the lower end first.")
        return False
    if low.value <= value.to(low.unit) <= high.to(low.unit):
        return True
    headline = f"`{name}` is {value.text()}, and {low.text()} to {high.text()} is allowed"
    end = parameter.allowed[0 if value.to(low.unit) < low.value else 1]
    reading.error("parameter-not-allowed", headline, place, others=[Mark(end.span, "the end that it crosses")])
    return False


def check_uses(
    parameters: Mapping[Text, Parameter],
    names: tuple[Text, ...],
    values: Values,
    machine: str | None,
    reading: Reading,
) -> None:
    """Every reference names a parameter whose value fits its place; a parameter without a reference is warned of."""
    used: set[str] = set()
    for amount, kind in reading.uses:
        given = amount.given
        assert isinstance(given, ParameterRef)
        used.add(given.name)
        if amount.text.file == machine:
            headline = f"`{shortened(amount.text)}`: a machine file has no parameters"
            reading.error(
                "bad-reference", headline, amount.span, help="Write the value, or move the entry into the recipe."
            )
        elif given.name not in names:
            headline = f"there is no parameter `{shortened(given.name)}`"
            help = did_you_mean(given.name, names, "" if names else "Declare it under `parameters:`.")
            reading.error("unknown-parameter", headline, amount.span, help=help)
        else:
            value = values.of(amount)
            objection = kind.objection(value) if value is not None else None
            if objection is not None:
                rule, headline, help = objection
                others = [Mark(values.places[given.name], "the value")]
                reading.error(rule, joined(f"`{amount.text}`", headline), amount.span, others=others, help=help)
    for name in names:
        if name not in used:
            reading.warn(
                "unused-parameter", f"the parameter `{name}` is not used", name.span, f"Write `${name}`, or delete it."
            )
