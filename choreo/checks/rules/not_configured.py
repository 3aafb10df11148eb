"""
The settings of a drive are known before its axis moves.

Acceleration, jerk and quick stop shape what is predicted, and what happens on a fault; the speed is the drive's own
ceiling. What a drive still holds from another day is unknown, so each recipe says what it needs (practice.md P23:
what is the same already is not written again).

Passes:

    # from the start
    steps:
      - configure: {carriage: {speed: 500 mm/s, acceleration: 1500 mm/s^2, jerk: 15000 mm/s^3, quick_stop: 4000 mm/s^2}}
      - enable: carriage
      - move: {carriage: {by: 5 mm, speed: 10 mm/s}}

Fails:

    # from the start
    steps:
      - configure: {carriage: {speed: 500 mm/s, acceleration: 1500 mm/s^2}}
      - enable: carriage
      - move: {carriage: {by: 5 mm, speed: 10 mm/s}}
"""

from collections.abc import Iterator

from choreo.checks.facts import Facts
from choreo.checks.scenes import Scene
from choreo.diagnostic import Finding, Level, Mark, Span
from choreo.plan.model import Plan
from choreo.wire.words import Setting

ID, LEVEL, READS = "not-configured", Level.ERROR, Plan


def check(facts: Facts) -> Iterator[Finding]:
    """The first motion of each axis."""
    told: set[int] = set()
    for scene, axis, place in facts.motions():
        if axis in told:
            continue
        told.add(axis)
        missing = [setting for setting in _needed(facts, axis) if setting not in scene.axes.settings.get(axis, {})]
        if missing:
            yield _finding(facts, scene, axis, place, missing)


def _needed(facts: Facts, axis: int) -> list[Setting]:
    """What the dialect has of it; a drive with trapezoids needs no jerk."""
    dialect = facts.dialect(axis)
    jerk = [Setting.JERK] if dialect.profile == "jerk_limited" else []
    wanted = [Setting.SPEED, Setting.ACCELERATION, *jerk, Setting.QUICK_STOP]
    return [setting for setting in wanted if setting in dialect.settings]


def _finding(facts: Facts, scene: Scene, axis: int, place: Span, missing: list[Setting]) -> Finding:
    name = facts.called(axis)
    words = ", ".join(setting.value for setting in missing)
    return Finding(
        ID,
        f"{name} would move in step {scene.step.path}, and nothing has set its {words.replace('_', ' ')}",
        Mark(place, "its settings are not known"),
        (),
        f"Put `- configure: {{{name}: {{{missing[0].value}: ...}}}}` before this step; missing: {words}.",
        level=LEVEL,
    )
