"""The moves that a drive holds until the start trigger, by the rules of its dialect (practice.md P1)."""

from collections.abc import Callable
from typing import NamedTuple

from choreo_sim.dialect_reader import LoadRules


class Load(NamedTuple):
    """
    A held move: target in counts (or a distance, where the dialect loads relative moves); speed raw, None where loads
    carry none and the drive's setting decides; `part` of that speed at which it really runs.
    """

    target: int
    speed: int | None
    part: float = 1.0


class LoadSlot:
    """What is held, and what the dialect's rules make of loading, starting, stopping and switching off."""

    __slots__ = ("_rules", "held")

    def __init__(self, rules: LoadRules) -> None:
        self._rules = rules
        self.held: list[Load] = []

    def put(self, load: Load) -> bool:
        """Take a load; False if one is held already and the dialect refuses a second."""
        if not self.held or self._rules.second_load == "queues":
            self.held.append(load)
        elif self._rules.second_load == "refused":
            return False
        elif self._rules.second_load == "adds":
            self.held = [Load(self.held[0].target + load.target, load.speed)]
        else:
            self.held = [load]
        return True

    def take(self) -> Load | None:
        """What the trigger sets off; None if nothing is held."""
        if not self.held:
            return None
        return self.held[0] if self._rules.at_trigger == "kept" else self.held.pop(0)

    def clear(self) -> None:
        """Hold nothing."""
        self.held = []

    def meets(self, event: str) -> None:
        """`event` is one of clear_load, stop, quick_stop, disable, power_cycle: what does not survive it is gone."""
        if event in self._rules.cleared_by or (event != "clear_load" and event not in self._rules.survives):
            self.held = []

    def resolve(self, load: Load, *, target: float, demand: float, actual: Callable[[], float]) -> float:
        """Where the load leads, in counts: absolute, or from the last target, demand, position."""
        base = self._rules.relative_to
        if base == "target":
            return target + load.target
        if base == "demand":
            return demand + load.target
        if base == "actual":
            return actual() + load.target
        return load.target
