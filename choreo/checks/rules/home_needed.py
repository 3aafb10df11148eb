"""
Only a homed axis is sent `to` a position, or expected at one.

A position counts from the machine's zero, which an axis does not know before it is homed. Until then an axis moves
`by` a distance, small and slow (practice.md P20, P21).

Passes:

    # from the start
    steps:
      - configure: {carriage: {speed: 80 mm/s, acceleration: 400 mm/s^2, jerk: 4000 mm/s^3, quick_stop: 1500 mm/s^2}}
      - enable: carriage
      - move: {carriage: {by: 5 mm, speed: 10 mm/s}}

Fails:

    # from the start
    steps:
      - configure: {carriage: {speed: 80 mm/s, acceleration: 400 mm/s^2, jerk: 4000 mm/s^3, quick_stop: 1500 mm/s^2}}
      - enable: carriage
      - move: {carriage: {to: 5 mm, speed: 10 mm/s}}
"""

from collections.abc import Iterator

from choreo.checks.facts import Facts
from choreo.checks.scenes import Scene
from choreo.diagnostic import Finding, Level, Mark, Span
from choreo.plan.model import Anchor, Expect, Plan
from choreo.recipe.steps import ExpectStep

ID, LEVEL, READS = "home-needed", Level.ERROR, Plan


def check(facts: Facts) -> Iterator[Finding]:
    """Moves `to`, and expectations."""
    for scene, move in facts.moves():
        if move.anchor is Anchor.HOME and move.axis not in scene.axes.homed:
            yield _finding(facts, scene, move.axis, move.place or scene.step.place, "is sent to a position")
    for scene in facts.scenes:
        if isinstance(scene.step.action, Expect) and scene.step.action.axis not in scene.axes.homed:
            step = facts.written(scene)
            assert isinstance(step, ExpectStep)
            place = step.expect.position.span
            yield _finding(facts, scene, scene.step.action.axis, place, "is expected at a position")


def _finding(facts: Facts, scene: Scene, axis: int, place: Span, what: str) -> Finding:
    name = facts.called(axis)
    return Finding(
        ID,
        f"{name} {what} in step {scene.step.path}, and it has not been homed",
        Mark(place, "counts from home"),
        (),
        f"Put `- home: {name}` before this step, or move it `by` a distance.",
        level=LEVEL,
    )
