"""
What may vary from run to run without being a fault: how quickly drives answer, friction, lag, noise, where the axes
stand and what their encoders read when the machine is switched on.

    vary: {reply: [0.5, 3], friction: [0.5, 2], lag: [0.8, 1.2], noise: [0 counts, 6 counts],
           start: [-20 mm, 20 mm], encoder: [-1000000 counts, 1000000 counts], edge: [-0.02 mm, 0.02 mm]}

or a list of such entries, each for the `axes` that it names. `reply`, `friction` and `lag` are factors, `noise` is a
value, `start`, `encoder` and `edge` are added to what is true of the machine. A range is drawn from the seed for each
axis, a single value is taken as it is. The two sides of a beam start as far apart as they did: `start` is one for both.
"""

from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction
from random import Random

from choreo_sim.machine_file import MachineTruth
from choreo_sim.truth import AxisTruth
from choreo_sim.yaml_tree import Node

_COUNTS = {"counts": Fraction(1)}
#: Steps into which a range is divided: what is drawn must be written down exactly.
STEPS = 1000


def vary(node: Node, truth: MachineTruth, seed: int) -> tuple[MachineTruth, list[str]]:
    """The machine of this run, and entries that say outright what was drawn; the bodies keep everything else."""
    axes = {axis.name: axis for axis in truth.axes}
    told: list[str] = []
    for place, entry in enumerate(node.items() if isinstance(node.value, list) else [node]):
        given = entry.only(("axes", *_WAYS))
        chance = Random(f"vary {place} {seed}")
        together = _together(_named(given.get("axes"), entry, list(axes)), truth)
        for names in together:
            common: dict[str, tuple[Fraction, str]] = {}
            if "start" in given:
                common["start"] = _value(given["start"], axes[names[0]], "start", chance)
            for name in names:
                drawn = common | {
                    key: _value(given[key], axes[name], key, chance)
                    for key in _WAYS
                    if key in given and key not in common
                }
                for key, (value, _) in drawn.items():
                    axes[name] = _WAYS[key](axes[name], value)
                told.append(_entry(name, drawn))
    return replace(truth, axes=tuple(axes.values())), told


def _entry(name: str, drawn: dict[str, tuple[Fraction, str]]) -> str:
    return f"{{axes: [{name}], " + ", ".join(f"{key}: {text}" for key, (_, text) in drawn.items()) + "}"


def _named(node: Node | None, entry: Node, names: list[str]) -> list[str]:
    if node is None or node.value == "all":
        return names
    if not isinstance(node.value, list):
        return [node.one_of(names)]
    return [item.one_of(names) for item in node.items()]


def _together(names: list[str], truth: MachineTruth) -> list[list[str]]:
    """The axes in groups: the sides of a beam together, in the order of the machine."""
    groups: list[list[str]] = []
    for name in names:
        beam = next((beam for beam in truth.beams if name in beam.sides), None)
        mates = next((group for group in groups if beam is not None and group[0] in beam.sides), None)
        if mates is None:
            groups.append([name])
        else:
            mates.append(name)
    return groups


def _units(axis: AxisTruth, key: str) -> dict[str, Fraction] | None:
    if key in ("noise", "encoder"):
        return _COUNTS
    if key in ("start", "edge"):
        names = ("mm", "deg", "rev", "unit") if axis.unit == "unit" else (axis.unit,)
        return {name: Fraction(1) for name in names}
    return None


def _value(node: Node, axis: AxisTruth, key: str, chance: Random) -> tuple[Fraction, str]:
    """What is drawn of a range, or said outright: the value, and how it is written."""
    units = _units(axis, key)

    def read(one: Node) -> Fraction:
        value = one.fraction() if units is None else one.amount(units)
        if (value < 0 and key in ("lag", "noise")) or (value <= 0 and key in ("reply", "friction")):
            raise one.error(
                f"{key} must be above zero"
                if value <= 0 and key in ("reply", "friction")
                else f"{key} cannot be negative"
            )
        return value

    unit = "" if units is None else " " + next(name for name in units)
    if not isinstance(node.value, list):
        value = read(node)
    else:
        ends = [read(item) for item in node.items()]
        if len(ends) != 2 or ends[0] > ends[1]:
            raise node.error("a range is two values, the first not above the second: [0.5, 2]")
        value = ends[0] + (ends[1] - ends[0]) * chance.randrange(STEPS + 1) / STEPS
    if key in ("noise", "encoder"):
        value = Fraction(round(value))
    return value, f"{value.numerator}{'' if value.denominator == 1 else f'/{value.denominator}'}{unit}"


def _edge(axis: AxisTruth, by: Fraction) -> AxisTruth:
    return replace(axis, home=tuple(replace(home, edge=home.edge + by) for home in axis.home))


_WAYS: dict[str, Callable[[AxisTruth, Fraction], AxisTruth]] = {
    "reply": lambda axis, factor: replace(axis, reply_factor=axis.reply_factor * factor),
    "friction": lambda axis, factor: replace(axis, friction=axis.friction * factor),
    "lag": lambda axis, factor: replace(axis, lag_ns=round(axis.lag_ns * factor)),
    "noise": lambda axis, counts: replace(axis, noise_counts=round(counts)),
    "start": lambda axis, by: replace(axis, start=axis.start + by),
    "encoder": lambda axis, by: replace(axis, encoder_at_power_up=axis.encoder_at_power_up + round(by)),
    "edge": _edge,
}
