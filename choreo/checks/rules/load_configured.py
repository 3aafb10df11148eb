"""
A drive that holds a load is not configured.

A load has been planned and is predicted with the settings that the drive had. With another acceleration or jerk it
goes otherwise, and the run ends on its tracking limit (practice.md P8).

Passes:

    steps:
      - configure: {carriage: {acceleration: 1000 mm/s^2}}
      - preload: {carriage: {by: 300 mm}}
      - trigger: carriage
      - wait_for_position: {axes: carriage, within: 0.1 mm, for: 60 ms}

Fails:

    steps:
      - preload: {carriage: {by: 300 mm}}
      - configure: {carriage: {acceleration: 1000 mm/s^2}}
      - trigger: carriage
      - wait_for_position: {axes: carriage, within: 0.1 mm, for: 60 ms}
"""

from collections.abc import Iterator

from choreo.checks.facts import Facts
from choreo.diagnostic import Finding, Level, Mark
from choreo.plan.model import Configure, Plan

ID, LEVEL, READS = "load-configured", Level.ERROR, Plan


def check(facts: Facts) -> Iterator[Finding]:
    """Each `configure` between a load and its trigger."""
    for scene in facts.scenes:
        action = scene.step.action
        if not isinstance(action, Configure):
            continue
        held = [axis for axis, _ in action.values if axis in scene.axes.loaded]
        if held:
            loaded = scene.axes.loaded[held[0]].place
            yield Finding(
                ID,
                f"{facts.names(held)} would be configured in step {scene.step.path} while holding a load, which was "
                "planned with the settings before",
                Mark(scene.step.place, "holds a load here"),
                () if loaded is None else (Mark(loaded, "loaded here"),),
                "Put the `configure` before the `preload`.",
                level=LEVEL,
            )
