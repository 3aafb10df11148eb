"""
After a stop everything moves slowly.

What stopped the run may still be in the way, and what was bent is not seen by any encoder. So in a sequence with
`after_stop: true` an axis goes no faster than it may without home (`unhomed`), whether its home is still valid or not
(practice.md P17, P21, common practice, no source).

Passes:

    sequences:
      clear:
        after_stop: true
        steps:
          - confirm: "Nobody is near, nothing is jammed"
          - configure:
              carriage: {speed: 80 mm/s, acceleration: 400 mm/s^2, jerk: 4000 mm/s^3, quick_stop: 1500 mm/s^2}
          - enable: carriage
          - move: {carriage: {to: 100 mm, speed: 20 mm/s}}

Fails:

    sequences:
      clear:
        after_stop: true
        steps:
          - confirm: "Nobody is near, nothing is jammed"
          - configure:
              carriage: {speed: 200 mm/s, acceleration: 400 mm/s^2, jerk: 4000 mm/s^3, quick_stop: 1500 mm/s^2}
          - enable: carriage
          - move: {carriage: {to: 100 mm, speed: 120 mm/s}}
"""

from collections.abc import Iterator

from choreo.checks.facts import Facts, in_words
from choreo.diagnostic import Finding, Level, Mark
from choreo.plan.model import Anchor, Plan

ID, LEVEL, READS = "after-stop-fast", Level.WARNING, Plan


def check(facts: Facts) -> Iterator[Finding]:
    """Moves of axes with home; the others have a limit that is an error."""
    if facts.plan.retreat is None:
        return
    for scene, move in facts.moves():
        axis = facts.plan.axes[move.axis]
        most, limit = axis.limits.unhomed_speed, facts.recipe.unhomed[axis.name].speed
        if move.anchor is Anchor.HOME and move.speed > most and limit is not None:
            yield Finding(
                ID,
                f"{facts.called(move.axis)} would move at {in_words(move.speed, axis, '/s')} after a stop; slow is "
                f"{in_words(most, axis, '/s')}",
                Mark(move.speed_place or move.place or scene.step.place, "fast"),
                (Mark(limit.span, "slow"),),
                f"Give the step a `speed` of {in_words(most, axis, '/s')} or less.",
                level=LEVEL,
            )
