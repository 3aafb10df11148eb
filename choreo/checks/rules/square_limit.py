"""
The square limit of a pair covers the distance of its two switches.

The first switch stops both sides; the other side may go on alone by `square_limit` at most (practice.md P19). When
the two edges lie further apart than that, a beam that is perfectly square can never be homed. How wide the limit may
be is said by pair-reaction, which counts with it.

Passes:

    homing:
      beam: {square_limit: 3 mm, home_at: {beam_left: -8 mm, beam_right: -6.9 mm}}
    steps:
      - home: beam

Fails:

    homing:
      beam: {square_limit: 1 mm, home_at: {beam_left: -8 mm, beam_right: -6.9 mm}}
    steps:
      - home: beam
"""

from collections.abc import Iterator

from choreo.checks.facts import Facts, in_words
from choreo.diagnostic import Finding, Level, Mark
from choreo.plan.model import Home, PairPlan, Plan
from choreo.text import Text

ID, LEVEL, READS = "square-limit", Level.ERROR, Plan


def check(facts: Facts) -> Iterator[Finding]:
    """Each homing of a pair."""
    for scene in facts.scenes:
        action = scene.step.action
        if isinstance(action, Home):
            for pair in facts.plan.pairs:
                if set(action.axes) == set(pair.axes):
                    yield from _judge(facts, action, pair)


def _judge(facts: Facts, action: Home, pair: PairPlan) -> Iterator[Finding]:
    axis = facts.plan.axes[pair.axes[0]]
    limit = facts.recipe.homing[Text(pair.name)].square_limit
    apart = abs(action.home_at[0] - action.home_at[1])
    if limit is None:
        return
    most = in_words(action.square_limit, axis)
    if apart > action.square_limit:
        edges = [facts.recipe.home_at(pair.name, facts.plan.axes[index].name).span for index in action.axes]
        yield Finding(
            ID,
            f"the switch edges of {pair.name} lie {in_words(apart, axis)} apart, and its second side may go on alone "
            f"by {most} only: not even a square beam could be homed",
            Mark(limit.span, "less than the edges are apart"),
            tuple(Mark(edge, "an edge") for edge in edges),
            f"Give a square limit of more than {in_words(apart, axis)}, or move a switch.",
            level=LEVEL,
        )
