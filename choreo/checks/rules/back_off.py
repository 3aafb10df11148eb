"""
Homing backs off further than it overshoots.

The search goes on past the edge of the switch until the switch has been seen and the axis has stopped. The way back
must be longer than that, or the switch is still active when the slow approach is to begin (practice.md P19, P22).

Passes:

    homing:
      carriage: {search: 80 mm/s, back_off: 12 mm}
    steps:
      - home: carriage

Fails:

    homing:
      carriage: {search: 80 mm/s, back_off: 3 mm}
    steps:
      - home: carriage
"""

from collections.abc import Iterator

from choreo.checks.facts import Facts, in_words
from choreo.diagnostic import Finding, Level, Mark
from choreo.plan.conduct import LOOK_NS
from choreo.plan.model import Home, Plan
from choreo.plan.predict import Times
from choreo.text import Text

ID, LEVEL, READS = "back-off", Level.ERROR, Plan


def check(facts: Facts) -> Iterator[Finding]:
    """Each homing that the recipe does."""
    for scene in facts.scenes:
        if isinstance(scene.step.action, Home):
            yield from _judge(facts, scene.step.action)


def _judge(facts: Facts, action: Home) -> Iterator[Finding]:
    axis = facts.plan.axes[action.axes[0]]
    homing = facts.recipe.homing[Text(axis.pair or axis.name)]
    plan = facts.plan
    overshoot = Times(plan.axes, plan.dialects, plan.bit_rate, plan.poll_ns).overshoot(action, LOOK_NS)
    if action.back_off <= overshoot:
        yield Finding(
            ID,
            f"{facts.called(axis.index)} backs off {in_words(action.back_off, axis)} from its switch; searching at "
            f"{in_words(action.search, axis, '/s')} it stops up to {in_words(round(overshoot, 1), axis)} behind it",
            Mark(homing.back_off.span, "not off the switch"),
            (Mark(homing.search.span, "the search speed"),),
            f"Back off by more than {in_words(round(overshoot + 0.05, 1), axis)}, or search more slowly.",
            level=LEVEL,
        )
