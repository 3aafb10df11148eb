"""
A move that an input ends stops within the travel, also when the input comes at the last moment.

At the input the axis is stopped with its drive's controlled stop. Where that is less steep than the acceleration of
the move, an input that comes near the end carries the axis beyond it:

    overrun = stopping distance at the stop's ramp - stopping distance at the move's own

(facts.md E; the distances are those of the profiles that the drives follow).

Passes:

    inputs:
      probe: {axis: carriage, input: input_1}
    steps:
      - move_until: {carriage: {to: 1300 mm, speed: 200 mm/s}, until: {input: probe, is: on}}

Fails:

    axes:
      carriage: {dialect: ./softstop.yaml}
    inputs:
      probe: {axis: carriage, input: input_1}
    steps:
      - configure: {carriage: {quick_stop: 200 mm/s^2}}
      - move_until: {carriage: {to: 1300 mm, speed: 200 mm/s}, until: {input: probe, is: on}}
"""

from collections.abc import Iterator
from fractions import Fraction

from choreo.checks.facts import Facts, in_words
from choreo.diagnostic import Finding, Level, Mark
from choreo.plan.model import Anchor, AxisMove, MoveUntil, Plan
from choreo.plan.signals import Spread

ID, LEVEL, READS = "until-overrun", Level.ERROR, Plan


def check(facts: Facts) -> Iterator[Finding]:
    """Every `move_until` of a homed axis whose way itself lies within its travel."""
    for scene in facts.scenes:
        action = scene.step.action
        if not isinstance(action, MoveUntil):
            continue
        for move, leaves in zip(action.moves, action.leaves, strict=True):
            axis = facts.plan.axes[move.axis]
            low, high = axis.limits.travel
            within = all(low <= move.target + end <= high for end in move.target_spread)
            beyond = _beyond(move, leaves, low, high)
            if move.anchor is Anchor.HOME and within and beyond > 0:
                yield Finding(
                    ID,
                    f"{facts.called(move.axis)} could come to rest {in_words(round(float(beyond), 3), axis)} beyond "
                    f"its travel when the input comes at the end of its way in step {scene.step.path}",
                    Mark(move.place or scene.step.place, "too far for its stop"),
                    (Mark(move.speed_place, "the speed"),) if move.speed_place is not None else (),
                    "Shorten the way, lower the speed, or make the stop's ramp at least as steep as the acceleration.",
                    level=LEVEL,
                )


def _beyond(move: AxisMove, leaves: Spread, low: Fraction, high: Fraction) -> Fraction:
    """How far beyond the travel it may end; where it may already stand when it sets off is other rules' business."""
    lowest, highest = move.target + leaves[0], move.target + leaves[1]
    below = low - lowest if lowest < move.start + move.start_spread[0] else Fraction(0)
    above = highest - high if highest > move.start + move.start_spread[1] else Fraction(0)
    return max(below, above)
