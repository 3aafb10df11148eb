"""
Home switch, soft limit and place of rest lie apart from each other.

The edge of the home switch is not put on a soft limit, and an axis does not come to rest so near to the edge that it
cannot stop before it (practice.md P22, common practice, no source): the switch would flicker, and each reference
would end with a limit in sight. The gap asked for is the stopping distance from the search speed.

Passes:

    homing:
      carriage: {home_at: -6 mm, rest_at: 2 mm}
    steps:
      - home: carriage

Fails:

    homing:
      carriage: {home_at: 0 mm, rest_at: 8 mm}
    steps:
      - home: carriage
"""

from collections.abc import Iterator

from choreo.checks.facts import Facts, in_words
from choreo.diagnostic import Finding, Level, Mark
from choreo.motion.profile import stopping_distance
from choreo.plan.model import AxisPlan, Home, Plan
from choreo.text import Text

ID, LEVEL, READS = "home-gap", Level.WARNING, Plan


def check(facts: Facts) -> Iterator[Finding]:
    """Each homing that the recipe does."""
    for scene in facts.scenes:
        action = scene.step.action
        if isinstance(action, Home):
            for place, index in enumerate(action.axes):
                yield from _judge(facts, action, place, facts.plan.axes[index])


def _judge(facts: Facts, action: Home, place: int, axis: AxisPlan) -> Iterator[Finding]:
    group = Text(axis.pair or axis.name)
    edge = action.home_at[place]
    at = facts.recipe.home_at(group, axis.name).span
    travel = facts.recipe.limits[axis.name].travel
    for side, end in enumerate(axis.limits.travel):
        if edge == end and travel is not None:
            yield Finding(
                ID,
                f"the home switch of {axis.name} has its edge at {in_words(edge, axis)}, on the soft limit",
                Mark(at, "on the soft limit"),
                (Mark(travel[side].span, "the soft limit"),),
                "Set the zero so that the edge lies outside the travel, or let the travel begin further in.",
                level=LEVEL,
            )
    gap = abs(action.rest_at - edge)
    stop = stopping_distance(action.search, action.acceleration[place], action.jerk[place])
    if gap < stop:
        yield Finding(
            ID,
            f"{axis.name} rests {in_words(gap, axis)} from the edge of its home switch; from the search speed it needs "
            f"{in_words(round(stop, 1), axis)} to stop",
            Mark(facts.recipe.homing[group].rest_at.span, "too near to the switch"),
            (Mark(at, "the edge"),),
            f"Let it rest {in_words(round(stop, 1), axis)} or more from the edge.",
            level=LEVEL,
        )
