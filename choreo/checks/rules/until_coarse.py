"""
The place where an input must be found is wider than what the axis goes between two looks.

An input is read once a poll period; until it is seen and has lasted for its `debounce`, the axis goes on. Where
`between` is narrower than that way, the run can fail although the machine is right:

    coarse = speed * (poll period + debounce)

Passes:

    inputs:
      probe: {axis: carriage, input: input_1}
    steps:
      - move_until: {carriage: {to: 300 mm, speed: 5 mm/s}, until: {input: probe, is: on}, between: [100 mm, 101 mm]}

Fails:

    inputs:
      probe: {axis: carriage, input: input_1}
    steps:
      - move_until: {carriage: {to: 300 mm, speed: 100 mm/s}, until: {input: probe, is: on}, between: [100 mm, 101 mm]}
"""

from collections.abc import Iterator
from fractions import Fraction

from choreo.checks.facts import Facts, in_words
from choreo.diagnostic import Finding, Level, Mark
from choreo.plan.model import MoveUntil, Plan
from choreo.recipe.input_steps import MoveUntilStep
from choreo.units import NS_PER_S

ID, LEVEL, READS = "until-coarse", Level.WARNING, Plan


def check(facts: Facts) -> Iterator[Finding]:
    """Every `move_until` that says where."""
    for scene in facts.scenes:
        action = scene.step.action
        if not isinstance(action, MoveUntil) or action.between is None or not action.moves:
            continue
        step = facts.written(scene)
        assert isinstance(step, MoveUntilStep)
        assert step.move_until.between is not None
        low, high = action.between
        blind = Fraction(facts.plan.poll_ns + facts.plan.inputs[action.input].debounce_ns, NS_PER_S)
        move = max(action.moves, key=lambda move: move.speed)
        coarse, axis = move.speed * blind, facts.plan.axes[move.axis]
        if high - low < coarse:
            yield Finding(
                ID,
                f"{facts.called(move.axis)} goes {in_words(coarse, axis)} between two looks at the input, which must "
                f"be found within {in_words(high - low, axis)}",
                Mark(step.move_until.between[1].span, "narrower than two looks are apart"),
                (Mark(move.speed_place, "the speed"),) if move.speed_place is not None else (),
                "Go more slowly, or poll more often.",
                level=LEVEL,
            )
