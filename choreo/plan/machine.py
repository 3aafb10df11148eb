"""
The machine of a recipe: axes, pairs, dialects, limits, bus. The same for every step.

What is missing here leaves findings and no machine: without a scale, a dialect or limits no step means anything.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from fractions import Fraction

from choreo.diagnostic import Mark
from choreo.limits import AxisLimits, NodeLimits
from choreo.motion.scaling import DriveTrain, round_half_up
from choreo.plan.amounts import Amounts, Findings
from choreo.plan.axis_limits import axis_limits
from choreo.plan.budget import Budget, budget
from choreo.plan.dialects import Dialects, find_dialects
from choreo.plan.inputs import find_inputs, find_outputs, polled
from choreo.plan.model import AxisPlan, Brake, PairPlan
from choreo.plan.node_limits import node_limits
from choreo.plan.rounding import Grid
from choreo.plan.signals import InputPlan, OutputPlan
from choreo.recipe.model import Axis, Recipe
from choreo.units import NS_PER_S
from choreo.wire.dialect import Dialect

#: A reply that has not come after twice the worst response and this is taken for lost.
REPLY_MARGIN_NS = 5_000_000
#: No reply timeout is shorter: a host's own scheduling and a serial adapter need their time.
SHORTEST_REPLY_TIMEOUT_NS = 20_000_000
#: On a bus too full for a bound (the checks refuse it): so many poll periods.
UNBOUNDED_POLLS = 10


@dataclass(frozen=True, slots=True)
class Machine:
    """Everything that is known before the first step."""

    recipe: Recipe
    axes: tuple[AxisPlan, ...]
    pairs: tuple[PairPlan, ...]
    dialects: Dialects
    node_limits: tuple[NodeLimits, ...]
    budget: Budget
    index: Mapping[str, int]  # axes by name
    speed_grids: tuple[Grid, ...]
    partners: tuple[int | None, ...]  # the other side of the pair that an axis belongs to
    inputs: tuple[InputPlan, ...]
    outputs: tuple[OutputPlan, ...]

    def dialect(self, axis: int) -> Dialect:
        """What an axis speaks."""
        return self.dialects.by_name[self.axes[axis].dialect]

    def speed_grid(self, axis: int) -> Grid:
        """The raw unit of the speed that goes with a move."""
        return self.speed_grids[axis]


def find_machine(recipe: Recipe, findings: Findings) -> Machine | None:
    """The machine, or None when a finding was left that no step could do without."""
    before = len(findings)
    amounts = Amounts(recipe, findings)
    dialects = find_dialects(recipe, findings)
    bit_rate = amounts.plain(recipe.bus.bit_rate, "bit/s") or Fraction(1)
    poll_ns = round_half_up(NS_PER_S / (amounts.plain(recipe.bus.poll, "Hz") or Fraction(1)))
    drafts = [_Draft.of(str(name), axis, recipe, amounts) for name, axis in recipe.axes.items()]
    if len(findings) > before:
        return None
    spoken = [dialects.by_name[str(axis.dialect)] for axis in recipe.axes.values()]
    _check_nodes(recipe, dialects, findings)
    places = {str(name): place for place, name in enumerate(recipe.axes)}
    inputs, outputs = find_inputs(recipe, places, spoken, amounts), find_outputs(recipe, places)
    adapter_ns = 0 if recipe.bus.adapter is None else amounts.time_ns(recipe.bus.adapter)
    bus = budget(spoken, int(bit_rate), poll_ns, polled(inputs, spoken), adapter_ns)
    axes = tuple(draft.plan(index, _reply_timeout_ns(bus)) for index, draft in enumerate(drafts))
    limits = tuple(
        replace(
            node_limits(axis, dialects.by_name[axis.dialect], recipe, amounts, findings),
            outputs=tuple(sorted(one.number for one in outputs if one.axis == axis.index)),
        )
        for axis in axes
    )
    pairs = _pairs(recipe, axes, amounts)
    if len(findings) > before:
        return None
    index = {axis.name: axis.index for axis in axes}
    grids = tuple(Grid.of(dialects.by_name[axis.dialect].move_speed, axis.counts_per_unit) for axis in axes)
    partners = {side: pair.axes[1 - place] for pair in pairs for place, side in enumerate(pair.axes)}
    return Machine(
        recipe=recipe,
        axes=axes,
        pairs=pairs,
        dialects=dialects,
        node_limits=limits,
        budget=bus,
        index=index,
        speed_grids=grids,
        partners=tuple(partners.get(axis.index) for axis in axes),
        inputs=inputs,
        outputs=outputs,
    )


def _reply_timeout_ns(bus: Budget) -> int:
    """Twice the worst response and a margin, rounded up to a millisecond, and never below the floor."""
    if bus.worst_response_ns is None:
        return max(SHORTEST_REPLY_TIMEOUT_NS, UNBOUNDED_POLLS * bus.poll_ns)
    wanted = 2 * bus.worst_response_ns + REPLY_MARGIN_NS
    return max(SHORTEST_REPLY_TIMEOUT_NS, -(-wanted // 1_000_000) * 1_000_000)


@dataclass(frozen=True, slots=True)
class _Draft:
    """An axis before its bus is known."""

    name: str
    axis: Axis
    counts_per_unit: Fraction
    pair: str | None
    brake: Brake | None
    lag_ns: int
    noise_counts: int
    limits: AxisLimits

    @classmethod
    def of(cls, name: str, axis: Axis, recipe: Recipe, amounts: Amounts) -> "_Draft":
        return cls(
            name=name,
            axis=axis,
            counts_per_unit=_counts_per_unit(axis, amounts),
            pair=recipe.pair_of(name),
            brake=_brake(name, axis, amounts),
            lag_ns=0 if axis.lag is None else amounts.time_ns(axis.lag),
            noise_counts=0 if axis.noise is None else (amounts.plain(axis.noise, "counts") or Fraction(0)).__ceil__(),
            limits=axis_limits(name, axis, recipe, amounts),
        )

    def plan(self, index: int, reply_timeout_ns: int) -> AxisPlan:
        return AxisPlan(
            index=index,
            name=self.name,
            node=int(self.axis.node),
            dialect=str(self.axis.dialect),
            unit=self.axis.unit,
            counts_per_unit=self.counts_per_unit,
            pair=self.pair,
            vertical=self.axis.load == "vertical",
            brake=self.brake,
            lag_ns=self.lag_ns,
            noise_counts=self.noise_counts,
            limits=self.limits,
            reply_timeout_ns=reply_timeout_ns,
            scale={"counts_per_motor_rev": Fraction(int(self.axis.scale.counts_per_motor_rev))},
        )


def _brake(name: str, axis: Axis, amounts: Amounts) -> Brake | None:
    given = axis.brake
    if given is None:
        return None
    sag = amounts.travel(given.sag, name, axis.unit)
    return Brake(amounts.time_ns(given.release), amounts.time_ns(given.engage), sag or Fraction(0))


def _counts_per_unit(axis: Axis, amounts: Amounts) -> Fraction:
    """1 stands in where the travel of a turn does not fit the axis' unit: the finding keeps a plan from being made."""
    scale = axis.scale
    travel = amounts.plain(scale.travel_per_output_rev, axis.unit)
    train = DriveTrain(
        Fraction(int(scale.counts_per_motor_rev)),
        Fraction(int(scale.gear.motor)),
        Fraction(int(scale.gear.output)),
        travel or Fraction(1),
        axis.inverted,
    )
    return train.counts_per_unit


def _check_nodes(recipe: Recipe, dialects: Dialects, findings: Findings) -> None:
    for name, axis in recipe.axes.items():
        low, high = dialects.by_name[str(axis.dialect)].node_range
        if not low <= axis.node <= high:
            findings.add(
                "node-range",
                f"{name} is node {int(axis.node)}; the dialect {axis.dialect} has nodes {low} to {high}",
                axis.node.span,
                others=[Mark(axis.dialect.span, "the dialect")],
                help="Give the axis the number that its drive is set to.",
            )


def _pairs(recipe: Recipe, axes: tuple[AxisPlan, ...], amounts: Amounts) -> tuple[PairPlan, ...]:
    by_name = {axis.name: axis for axis in axes}
    found = []
    for name, pair in recipe.pairs.items():
        first, second = by_name[str(pair.axes[0])], by_name[str(pair.axes[1])]
        trip = amounts.travel(pair.skew.trip, first.name, first.unit) or Fraction(0)
        structural = amounts.travel(pair.skew.structural, first.name, first.unit) or Fraction(0)
        found.append(PairPlan(str(name), (first.index, second.index), trip, structural))
    return tuple(found)
