"""A machine file's limits as the listener reads them: plain YAML, its own conversion to counts."""

from dataclasses import dataclass
from fractions import Fraction
from functools import cache
from pathlib import Path
from typing import Any

from ruamel.yaml import YAML

SETTINGS = ("speed", "acceleration", "jerk", "quick_stop")


@dataclass(frozen=True, slots=True)
class NodeRange:
    """What one node may be told, in counts, counts/s, counts/s² and counts/s³, as exact as the file has it."""

    axis: str
    node: int
    travel: tuple[Fraction, Fraction]  # counts of a homed drive
    unhomed_reach: Fraction
    unhomed_speed: Fraction
    edge: Fraction  # where its home edge lies
    ceilings: dict[str, Fraction]  # by setting; "speed" is also that of a move


@cache
def read_limits(path: Path) -> dict[int, NodeRange]:
    """By node number."""
    machine = YAML(typ="safe").load(path.read_text(encoding="utf-8"))
    axes = {name: dict(given) for name, given in machine["axes"].items()}
    for given in axes.values():
        for key, value in axes.get(given.get("like", ""), {}).items():
            given.setdefault(key, value)
    pairs = {axis: name for name, pair in machine.get("pairs", {}).items() for axis in pair["axes"]}

    def of(section: str, axis: str) -> dict[str, Any]:
        found: dict[str, Any] = {}
        for group in ("all", pairs.get(axis), axis):
            found.update(machine[section].get(group, {}))
        return found

    ranges = {}
    for name, given in axes.items():
        scale, limits = _counts_per_unit(given), of("limits", name)
        edges = of("homing", name)["home_at"]
        ends = [number(end) * scale for end in limits["travel"]]
        ranges[given["node"]] = NodeRange(
            axis=name,
            node=given["node"],
            travel=(min(ends), max(ends)),
            unhomed_reach=number(of("unhomed", name)["distance"]) * abs(scale),
            unhomed_speed=number(of("unhomed", name)["speed"]) * abs(scale),
            edge=number(edges[name] if isinstance(edges, dict) else edges) * scale,
            ceilings={key: number(limits[key]) * abs(scale) for key in SETTINGS},
        )
    return ranges


def number(quantity: str) -> Fraction:
    """`400/3 mm`: the number. The listener's machine files are in mm and seconds throughout."""
    value, unit = quantity.split()
    assert unit in ("mm", "mm/s", "mm/s^2", "mm/s^3"), quantity
    return Fraction(value)


def _counts_per_unit(given: dict[str, Any]) -> Fraction:
    scale = given["scale"]
    turns = Fraction(scale["gear"]["motor"], scale["gear"]["output"]) / number(scale["travel_per_output_rev"])
    return scale["counts_per_motor_rev"] * turns * (-1 if given.get("inverted") else 1)
