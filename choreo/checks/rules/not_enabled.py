"""
What is to move is under power.

A drive that is not enabled refuses a move, or takes it and keeps it for the moment when it is enabled.

Passes:

    steps:
      - disable: carriage
      - enable: carriage
      - move: {carriage: {to: 300 mm}}

Fails:

    steps:
      - disable: carriage
      - move: {carriage: {to: 300 mm}}
"""

from collections.abc import Iterator

from choreo.checks.facts import Facts
from choreo.checks.scenes import Scene
from choreo.diagnostic import Finding, Level, Mark, Span
from choreo.plan.model import Home, Plan

ID, LEVEL, READS = "not-enabled", Level.ERROR, Plan


def check(facts: Facts) -> Iterator[Finding]:
    """Moves as they are loaded, and homing; the first motion of an axis since it lost its power, or never had it."""
    said: set[tuple[int, Span | None]] = set()
    for scene, axis, place in facts.motions():
        cause = axis, scene.axes.disabled_at.get(axis)
        if axis not in scene.axes.enabled and cause not in said:
            said.add(cause)
            does = "would be homed" if isinstance(scene.step.action, Home) else "would move"
            yield _finding(facts, scene, axis, place, does)


def _finding(facts: Facts, scene: Scene, axis: int, place: Span, does: str) -> Finding:
    off = scene.axes.disabled_at.get(axis)
    name = facts.called(axis)
    since = "has not been enabled" if off is None else "has been disabled"
    return Finding(
        ID,
        f"{name} {does} in step {scene.step.path}, and it {since}",
        Mark(place, "not under power"),
        () if off is None else (Mark(off, "disabled here"),),
        f"Put `- enable: {name}` before this step.",
        level=LEVEL,
    )
