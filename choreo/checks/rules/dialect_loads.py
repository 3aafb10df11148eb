"""
A drive that is loaded can be brought to a known, empty load, and its load leads where the plan says.

Where a second load queues behind the first or is added to it, and `clear_load` clears none, nobody can empty the drive,
and what the next start sets off is anybody's guess. A load that is kept at the trigger runs again at the next one:
choreo loads every such drive that takes no part with nothing before each start, so such a load must be cleared by
`clear_load` or replaced by the next, and no such axis may be under way when another is started. A relative load that
counts from the drive's last target leads elsewhere after a stop in mid-move, which is how homing and `move_until` end
(practice.md P1). `move` loads too.

Passes:

    axes:
      carriage: {dialect: ./keeping.yaml}
    steps:
      - move: {carriage: {to: 300 mm}}
      - move: {lift: {to: 300 mm}}

Fails:

    axes:
      carriage: {dialect: ./queueing.yaml}
    steps:
      - move: {carriage: {to: 300 mm}}
"""

from collections.abc import Iterator

from choreo.checks.facts import Facts
from choreo.checks.scenes import Scene, started
from choreo.diagnostic import Finding, Level, Mark, Span
from choreo.plan.model import Home, Move, MoveUntil, Plan, WaitForPosition
from choreo.text import Text
from choreo.wire.dialect import LoadRules

ID, LEVEL, READS = "dialect-loads", Level.ERROR, Plan

_EMPTY = "Such a drive cannot be started together with others; look in its manual for a command that clears a load."
_TARGET = (
    "Look in the drive's manual for loads that are absolute, or relative to the demand or the actual position; or home "
    "the drive by a command of its own before the run."
)


def check(facts: Facts) -> Iterator[Finding]:
    """The first load of each axis that cannot be emptied, homing on relative loads, starts beside kept loads."""
    yield from _not_emptied(facts)
    yield from _stopped_in_mid_move(facts)
    yield from _beside(facts)


def _finding(facts: Facts, axis: int, headline: str, place: Span, label: str, help: str) -> Finding:
    dialect = facts.recipe.axes[Text(facts.plan.axes[axis].name)].dialect
    return Finding(ID, headline, Mark(place, label), (Mark(dialect.span, "the dialect"),), help, level=LEVEL)


def _not_emptied(facts: Facts) -> Iterator[Finding]:
    told: set[int] = set()
    for scene, move in facts.moves():
        trouble = _trouble(facts.dialect(move.axis).loads)
        if move.axis in told or not trouble:
            continue
        told.add(move.axis)
        axis = facts.plan.axes[move.axis]
        what = f"{axis.name} is loaded in step {scene.step.path}, and in its dialect {axis.dialect} {trouble}"
        yield _finding(facts, move.axis, what, move.place or scene.step.place, "loads it", _EMPTY)


def _trouble(rules: LoadRules) -> str:
    """Why loads of this kind cannot be trusted; empty when they can."""
    if "clear_load" in rules.cleared_by or rules.second_load == "replaces":
        return ""
    if rules.second_load in ("queues", "adds"):
        piles = "queues behind the first" if rules.second_load == "queues" else "is added to the first"
        return f"a second load {piles} and clear_load clears none"
    if rules.at_trigger == "kept":
        return "a load stays after the trigger, a second one is refused, and clear_load clears none"
    return ""


def _stopped_in_mid_move(facts: Facts) -> Iterator[Finding]:
    for scene in facts.scenes:
        for axis in _stopped(scene):
            if facts.dialect(axis).loads.relative_to == "target":
                name, step = facts.plan.axes[axis].name, scene.step
                what = (
                    f"{name} would be stopped in mid-move in step {step.path}, {step.verb}, and its loads count from "
                    "the drive's last target, which is then never reached"
                )
                yield _finding(facts, axis, what, step.place, "stops it on its way", _TARGET)


def _stopped(scene: Scene) -> Iterator[int]:
    """The axes that a step stops on their way."""
    action = scene.step.action
    if isinstance(action, Home):
        yield from action.axes
    elif isinstance(action, MoveUntil):
        yield from (move.axis for move in action.moves)


def _beside(facts: Facts) -> Iterator[Finding]:
    """A start while an axis that keeps its load has not been waited for."""
    under_way: set[int] = set()
    for scene in facts.scenes:
        begun = {move.axis for move in started(scene.step)}
        kept = {axis for axis in under_way - begun if facts.dialect(axis).loads.at_trigger == "kept"}
        if begun and kept:
            yield _still(facts, scene, kept)
        action = scene.step.action
        if isinstance(action, WaitForPosition):
            under_way -= set(action.axes)
        elif not isinstance(action, Move | MoveUntil):  # these wait for their own
            under_way |= begun
        else:
            under_way -= begun


def _still(facts: Facts, scene: Scene, kept: set[int]) -> Finding:
    names = facts.names(kept)
    what = (
        f"the start in step {scene.step.path} would run the load of {names} again, which was started before and not "
        "waited for"
    )
    help = f"Wait for {names} (`- wait_for_position: ...`) before the next start."
    return _finding(facts, min(kept), what, scene.step.place, f"{names} may be under way", help)
