"""
A trigger names exactly the axes that hold a load.

The start is one frame for the whole bus: every drive that holds a move sets off, named or not (practice.md P3). A
`move` sends a start too, so nothing may be loaded when it begins; and what waits for a trigger is not homed
meanwhile, because the target that it holds would afterwards mean another place.

Passes:

    steps:
      - preload: {beam: {by: 100 mm}, carriage: {by: 300 mm}}
      - trigger: [beam, carriage]
      - wait_for_position: {axes: [beam, carriage], within: 0.1 mm, for: 60 ms}

Fails:

    steps:
      - preload: {beam: {by: 100 mm}, carriage: {by: 300 mm}}
      - trigger: beam
      - wait_for_position: {axes: beam, within: 0.1 mm, for: 60 ms}
"""

from collections.abc import Iterator

from choreo.checks.facts import Facts
from choreo.checks.scenes import Scene, started
from choreo.diagnostic import Finding, Level, Mark, Span
from choreo.plan.model import Home, Move, MoveUntil, Plan, Trigger
from choreo.recipe.steps import TriggerStep

ID, LEVEL, READS = "load-set", Level.ERROR, Plan


def check(facts: Facts) -> Iterator[Finding]:
    """Triggers, moves and homing, against what is loaded as they begin."""
    for scene in facts.scenes:
        action, loaded = scene.step.action, set(scene.axes.loaded)
        if isinstance(action, Trigger):
            yield from _trigger(facts, scene, loaded)
        elif isinstance(action, Move | MoveUntil) and (extra := loaded - {move.axis for move in started(scene.step)}):
            yield _extra(facts, scene, extra, scene.step.place, "this move")  # its own axes: see double-load
        elif isinstance(action, Home) and loaded:
            if own := loaded.intersection(action.axes):
                yield _homed(facts, scene, own)
            if extra := loaded.difference(action.axes):  # a search is a move, with a start of its own
                yield _extra(facts, scene, extra, scene.step.place, "this homing")


def _trigger(facts: Facts, scene: Scene, loaded: set[int]) -> Iterator[Finding]:
    step = facts.written(scene)
    assert isinstance(step, TriggerStep)
    index = {axis.name: axis.index for axis in facts.plan.axes}
    named = {name: {index[axis] for axis in facts.recipe.axes_of(name)} for name in step.trigger}
    for name, axes in named.items():
        if not axes <= loaded:
            yield Finding(
                ID,
                f"the trigger in step {scene.step.path} names {name}, and {facts.names(axes - loaded)} holds no load",
                Mark(name.span, "not loaded"),
                (),
                f"Load it before the trigger (`- preload: {{{name}: ...}}`), or leave it out.",
                level=LEVEL,
            )
    extra = loaded.difference(*named.values())
    if extra:
        yield _extra(facts, scene, extra, step.trigger[-1].span, "the trigger")


def _extra(facts: Facts, scene: Scene, extra: set[int], place: Span, what: str) -> Finding:
    names = facts.names(extra)
    return Finding(
        ID,
        f"{what} in step {scene.step.path} would also start {names}: the start is a broadcast, and {names} "
        f"{'hold' if ' and ' in names else 'holds'} a load that it does not name",
        Mark(place, f"does not name {names}"),
        tuple(_loads(scene, extra)),
        f"Name {names} in a trigger, this one or one before it, or do not load it.",
        level=LEVEL,
    )


def _loads(scene: Scene, axes: set[int]) -> Iterator[Mark]:
    """Where they were loaded, each place once."""
    places = {scene.axes.loaded[axis].place for axis in sorted(axes)}
    yield from (Mark(place, "loaded here") for place in sorted(place for place in places if place is not None))


def _homed(facts: Facts, scene: Scene, axes: set[int]) -> Finding:
    names = facts.names(axes)
    return Finding(
        ID,
        f"{names} would be homed in step {scene.step.path} while it holds a load, which then means another place",
        Mark(scene.step.place, "holds a load"),
        tuple(_loads(scene, axes)),
        "Start the load before homing, or load it afterwards.",
        level=LEVEL,
    )
