"""How a machine was left, in plain lines: what is true, whatever its encoders say."""

from collections.abc import Iterator

from choreo_sim.machine import Machine
from choreo_sim.mechanics import Mechanics

#: Slower than this is standing, in units/s: the tail of a lag never ends.
STANDS = 0.01


def as_it_was_left(machine: Machine, now_ns: int) -> Iterator[str]:
    """Axes, skews, damage, faults."""
    width = max(len(name) for name in machine.axes)
    for name, mechanics in machine.axes.items():
        yield f"  {name:<{width}}  {_where(mechanics, now_ns)}"
    truth = machine.truth_now()
    nodes = {mechanics.truth.node: mechanics.truth for mechanics in machine.axes.values()}
    for (left, right), most in truth.skews.items():
        unit = _unit(nodes[left].unit)
        yield f"largest skew of {nodes[left].name} and {nodes[right].name}: {most:.2f}{unit}"
    yield from _list("broke", [f"{lasted(damage.t_ns)}: {damage.what}" for damage in machine.damage], "nothing broke")
    script = machine.script()
    if script is not None:
        acted = [f"{lasted(one.t_ns)}: {one.kind}{_on(one.axis)}: {one.what}" for one in script.acted]
        yield from _list("faults that acted", acted, "no scripted fault acted")
        yield from _list("faults that did not act", list(script.idle))
        yield from _list(f"drawn from the seed {machine.request.seed}", list(script.drawn))


def lasted(ns: int) -> str:
    """A time in seconds."""
    return f"{ns / 1e9:.3f} s"


def _where(mechanics: Mechanics, now_ns: int) -> str:
    unit = _unit(mechanics.truth.unit)
    speed = mechanics.speed(now_ns) / float(mechanics.truth.counts_per_unit)
    speed = -speed if mechanics.truth.inverted else speed
    position = f"{mechanics.position(now_ns):.3f}{unit}"
    motion = f"truly stands at {position}" if abs(speed) < STANDS else f"STILL MOVES at {position}, {speed:.1f}{unit}/s"
    brake = "" if mechanics.truth.brake is None else ", brake closed" if mechanics.braked else ", brake open"
    return f"{motion}, {'under power' if mechanics.powered else 'without power'}{brake}"


def _unit(unit: str) -> str:
    """With the space before it; the axes of a machine made up from a recipe count in the recipe's own unit."""
    return "" if unit == "unit" else f" {unit}"


def _on(axis: str | None) -> str:
    return f" on {axis}" if axis else ""


def _list(heading: str, entries: list[str], nothing: str = "") -> Iterator[str]:
    if entries:
        yield f"{heading}:"
        yield from (f"  {entry}" for entry in entries)
    elif nothing:
        yield nothing
