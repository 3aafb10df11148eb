"""
An axis that a trigger has started is waited for before anything else is done with it.

A `trigger` goes on at once. While its axes move, a second start finds them elsewhere than it was planned from, homing
takes the motion for its own search, a setting makes it another motion than was predicted, and an axis that loses its
power runs on without control, a vertical one into its brake (practice.md P15). A `dwell` proves nothing:
`wait_for_position` does. In `closing` there may be a `disable` alone: it waits until the axes stand.

Passes:

    steps:
      - preload: {carriage: {by: 300 mm}}
      - trigger: carriage
      - wait_for_position: {axes: carriage, within: 0.1 mm, for: 60 ms}
      - move: {carriage: {by: -300 mm}}

Fails:

    steps:
      - preload: {carriage: {by: 300 mm}}
      - trigger: carriage
      - move: {carriage: {by: -300 mm}}
"""

from collections.abc import Iterator

from choreo.checks.facts import Facts
from choreo.checks.scenes import Scene, started
from choreo.diagnostic import Finding, Level, Mark, Span
from choreo.plan.model import Configure, Disable, Enable, Home, Plan, ResetFault, Trigger, WaitForPosition
from choreo.recipe.steps import TriggerStep

ID, LEVEL, READS = "on-its-way", Level.ERROR, Plan


def check(facts: Facts) -> Iterator[Finding]:
    """What is started, homed, set or switched while it goes; of each start the first such step."""
    going: dict[int, Span] = {}
    for scene in facts.scenes:
        action = scene.step.action
        meant, does = _meant(scene)
        busy = sorted(axis for axis in meant if axis in going)
        if busy:
            yield _finding(facts, scene, busy, does, going[busy[0]])
        ended = set(action.axes) if isinstance(action, WaitForPosition) else meant
        going = {axis: since for axis, since in going.items() if axis not in ended}
        if isinstance(action, Trigger):
            going |= dict.fromkeys(_named(facts, scene), scene.step.place)


def _meant(scene: Scene) -> tuple[set[int], str]:
    """The axes of a step that must stand when it begins, and what becomes of them."""
    action = scene.step.action
    if isinstance(action, Home):
        return set(action.axes), "homed"
    if isinstance(action, Disable):
        return set() if scene.closing else set(action.axes), "disabled"
    if isinstance(action, Configure):
        return {axis for axis, _ in action.values}, "configured"
    if isinstance(action, Enable | ResetFault):
        return set(action.axes), "enabled" if isinstance(action, Enable) else "reset"
    return {move.axis for move in started(scene.step)}, "started again"


def _named(facts: Facts, scene: Scene) -> list[int]:
    """What a trigger means to start; what it starts beside that is said by load-set."""
    step = facts.written(scene)
    assert isinstance(step, TriggerStep)
    names = facts.recipe.axes_of(step.trigger)
    return [move.axis for move in started(scene.step) if facts.plan.axes[move.axis].name in names]


def _finding(facts: Facts, scene: Scene, busy: list[int], does: str, since: Span) -> Finding:
    names = facts.names(busy)
    return Finding(
        ID,
        f"{names} would be {does} in step {scene.step.path}, and nothing has waited until its motion has ended",
        Mark(scene.step.place, "may still be moving"),
        (Mark(since, "started here"),),
        f"Put `- wait_for_position: {{axes: {facts.called(busy[0])}, within: ..., for: ...}}` before this step.",
        level=LEVEL,
    )
