"""The limits of an axis in its own unit, with the place that each came from."""

from fractions import Fraction

from choreo.limits import AxisLimits
from choreo.plan.amounts import ACCELERATION, JERK, SPEED, Amounts
from choreo.recipe.model import Axis, Recipe
from choreo.recipe.scalars import Amount


def axis_limits(name: str, axis: Axis, recipe: Recipe, amounts: Amounts) -> AxisLimits:
    """What the recipe allows the axis. All but the jerk is given: the recipe was read so."""
    given, unhomed = recipe.limits[name], recipe.unhomed[name]
    origin: dict[str, str] = {}

    def read(what: str, amount: Amount | None, per: str = "") -> Fraction | None:
        if amount is None:
            return None
        origin[what] = str(amount.span)
        return amounts.travel(amount, name, axis.unit, per)

    ends = given.travel or (None, None)
    low, high = read("travel_from", ends[0]) or Fraction(0), read("travel_to", ends[1]) or Fraction(0)
    return AxisLimits(
        travel=(low, high),
        speed=read("speed", given.speed, SPEED) or Fraction(0),
        acceleration=read("acceleration", given.acceleration, ACCELERATION) or Fraction(0),
        jerk=read("jerk", given.jerk, JERK),
        quick_stop=read("quick_stop", given.quick_stop, ACCELERATION) or Fraction(0),
        tracking=read("tracking", given.tracking) or Fraction(0),
        unhomed_speed=read("unhomed_speed", unhomed.speed, SPEED) or Fraction(0),
        unhomed_distance=read("unhomed_distance", unhomed.distance) or Fraction(0),
        origin=origin,
    )
