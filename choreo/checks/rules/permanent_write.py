"""
Nothing is written to permanent memory again and again.

Such memory wears. choreo reads first and writes only what differs, so a setting that stays as it is costs nothing;
inside a `repeat` one that changes and changes back is written in every pass (practice.md P23). The speed of a move is
a setting too, where the drive's loads carry none.

Passes:

    axes:
      carriage: {dialect: ./lasting.yaml}
    steps:
      - configure: {carriage: {acceleration: 900 mm/s^2}}
      - repeat: 3
        steps:
          - dwell: 100 ms

Fails:

    axes:
      carriage: {dialect: ./lasting.yaml}
    steps:
      - repeat: 3
        steps:
          - configure: {carriage: {acceleration: 900 mm/s^2}}
          - configure: {carriage: {acceleration: 1200 mm/s^2}}
"""

from collections.abc import Iterator

from choreo.checks.facts import Facts
from choreo.checks.scenes import Scene, loaded_by
from choreo.diagnostic import Finding, Level, Mark
from choreo.plan.model import Configure, Home, Plan
from choreo.text import Text
from choreo.wire.words import Setting

ID, LEVEL, READS = "permanent-write", Level.WARNING, Plan


def check(facts: Facts) -> Iterator[Finding]:
    """Steps that are gone through more than once."""
    passes: dict[int, int] = {}
    for scene in facts.scenes:
        passes[scene.step.source] = passes.get(scene.step.source, 0) + 1
    told: set[tuple[int, int, Setting]] = set()
    for scene in facts.scenes:
        if passes[scene.step.source] < 2:
            continue
        for axis, setting in _written(facts, scene):
            key = (scene.step.source, axis, setting)
            if setting in facts.dialect(axis).permanent_settings and key not in told:
                told.add(key)
                yield _finding(facts, scene, axis, setting, passes[scene.step.source])


def _written(facts: Facts, scene: Scene) -> Iterator[tuple[int, Setting]]:
    action = scene.step.action
    if isinstance(action, Configure):
        yield from ((axis, setting) for axis, values in action.values for setting in values)
    elif isinstance(action, Home) and action.square_torque_raw is not None:
        yield action.axes[-1], Setting.TORQUE_LIMIT
    for move in loaded_by(scene.step):
        if facts.dialect(move.axis).speed_is_set:
            yield move.axis, Setting.SPEED


def _finding(facts: Facts, scene: Scene, axis: int, setting: Setting, passes: int) -> Finding:
    plan = facts.plan.axes[axis]
    what = str(setting).replace("_", " ")
    return Finding(
        ID,
        f"the {what} of {plan.name} may be written {passes} times in step {scene.step.path.partition(' ')[0]}, and its "
        f"drive keeps it in permanent memory, which wears",
        Mark(scene.step.place, "gone through again and again"),
        (Mark(facts.recipe.axes[Text(plan.name)].dialect.span, "says `permanent_settings`"),),
        "Configure before the repeat. A value that does not change is read and not written.",
        level=LEVEL,
    )
