"""
A machine that is exactly as a recipe says, for recipes that name no machine truth.

Its scale and directions are the recipe's own, so a dry-run on it cannot reveal a wrong scale. Switches lie a little
outside the travel, one home switch at either end; the axes start a fifth into their travel, square, unhomed. Its inputs
read as the recipe wants them, and what a step waits for comes true by itself (`Cues`).
"""

from fractions import Fraction
from random import Random

from choreo.link.port import SimulatedAxis, SimulationRequest
from choreo_sim.machine_file import MachineTruth
from choreo_sim.truth import AxisTruth, BeamTruth, BrakeTruth, HomeSwitch, InputTruth

HOME, LIMIT, BUFFER = Fraction(1, 100), Fraction(4, 100), Fraction(6, 100)  # of the travel, outside it
START = Fraction(1, 5)
STRUCTURAL = Fraction(1, 20)  # of the travel: a recipe's own skew limits are not known here


def nominal_machine(request: SimulationRequest) -> MachineTruth:
    """The machine that the axes of a request describe."""
    axes = tuple(_axis(axis, request.seed) for axis in request.axes)
    pairs: dict[str, list[AxisTruth]] = {}
    for wanted, axis in zip(request.axes, axes, strict=True):
        if wanted.pair is not None:
            pairs.setdefault(wanted.pair, []).append(axis)
    return MachineTruth(
        axes,
        tuple(_beam(name, sides[0], sides[1]) for name, sides in pairs.items() if len(sides) == 2),
        tuple(InputTruth(name=one.bit, axis=one.axis, bit=one.bit, level=one.level) for one in request.inputs),
    )


def _axis(axis: SimulatedAxis, seed: int) -> AxisTruth:
    low, high = axis.travel
    span = high - low
    brake = None if axis.brake is None else BrakeTruth(axis.brake[0], axis.brake[1], Fraction(0))
    return AxisTruth(
        name=axis.name,
        node=axis.node,
        dialect=axis.dialect,
        unit="unit",
        counts_per_unit=abs(axis.counts_per_unit),
        inverted=axis.counts_per_unit < 0,
        encoder_at_power_up=Random(f"power-up {axis.name} {seed}").randrange(-(1 << 24), 1 << 24),
        start=low + START * span,
        limit_switches=(low - LIMIT * span, high + LIMIT * span),
        buffers=(low - BUFFER * span, high + BUFFER * span),
        home=(HomeSwitch(low - HOME * span, -1), HomeSwitch(high + HOME * span, 1)),
        # Without a brake a vertical axis is taken for self-locking: it would fall before anybody could enable it.
        vertical=axis.load == "vertical" and brake is not None,
        brake=brake,
        lag_ns=axis.lag_ns,
        noise_counts=axis.noise_counts,
        settings=axis.scale,
    )


def _beam(name: str, left: AxisTruth, right: AxisTruth) -> BeamTruth:
    span = left.buffers[1] - left.buffers[0]
    return BeamTruth(name, (left.name, right.name), STRUCTURAL * span)
