"""
The first motion of an axis is small and slow.

The first motion shows whether an axis goes the right way and by the right distance. While that is not known, it goes
at most 2 % of its travel at a tenth of its speed limit, with somebody watching (practice.md P20, common practice, no
source). Homing, which has limits of its own, is not meant.

Passes:

    # from the start
    steps:
      - configure: {carriage: {speed: 500 mm/s, acceleration: 1500 mm/s^2, jerk: 15000 mm/s^3, quick_stop: 4000 mm/s^2}}
      - enable: carriage
      - move: {carriage: {by: 5 mm, speed: 10 mm/s}}
      - move: {carriage: {by: 100 mm, speed: 80 mm/s}}

Fails:

    # from the start
    steps:
      - configure: {carriage: {speed: 500 mm/s, acceleration: 1500 mm/s^2, jerk: 15000 mm/s^3, quick_stop: 4000 mm/s^2}}
      - enable: carriage
      - move: {carriage: {by: 100 mm, speed: 80 mm/s}}
"""

from collections.abc import Iterator
from fractions import Fraction

from choreo.checks.facts import Facts, in_words
from choreo.checks.scenes import Scene
from choreo.diagnostic import Finding, Level, Mark
from choreo.plan.model import Anchor, AxisMove, Plan

ID, LEVEL, READS = "first-motion", Level.WARNING, Plan

#: Parts of the travel and of the speed limit.
SMALL, SLOW = Fraction(1, 50), Fraction(1, 10)


def check(facts: Facts) -> Iterator[Finding]:
    """The first move of each axis that was not homed before it."""
    told: set[int] = set()
    for scene, move in facts.moves():
        if move.axis not in told and move.anchor is Anchor.START:  # a `to` before home is refused as such
            yield from _judge(facts, scene, move)
        told.add(move.axis)


def _judge(facts: Facts, scene: Scene, move: AxisMove) -> Iterator[Finding]:
    axis = facts.plan.axes[move.axis]
    low, high = axis.limits.travel
    distance, most, fastest = abs(move.target - move.start), (high - low) * SMALL, axis.limits.speed * SLOW
    far, fast = distance > most, move.speed > fastest
    if far or fast:
        yield Finding(
            ID,
            f"the first motion of {facts.called(axis.index)} is {in_words(distance, axis)} at "
            f"{in_words(move.speed, axis, '/s')}; small and slow are {in_words(most, axis)} at "
            f"{in_words(fastest, axis, '/s')}",
            Mark((move.place if far else move.speed_place) or scene.step.place, "large" if far else "fast"),
            (),
            "Begin with a short way and slowly, and watch the direction.",
            level=LEVEL,
        )
