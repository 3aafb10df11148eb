"""
What starts together is started by one frame.

Every dialect has a start frame of its own. Axes whose drives speak different dialects, or a dialect that numbers its
starts beside another, have no frame in common: the start of the one would leave the other standing with its load
(practice.md P3).

Passes:

    axes:
      carriage: {dialect: ./elsewhere.yaml}
    steps:
      - move: {carriage: {by: 10 mm}, lift: {by: -10 mm}}
        order: [lift, carriage]

Fails:

    axes:
      carriage: {dialect: ./elsewhere.yaml}
    steps:
      - move: {carriage: {by: 10 mm}, lift: {by: -10 mm}}
"""

from collections.abc import Iterator, Sequence

from choreo.checks.facts import Facts
from choreo.checks.scenes import Scene, together
from choreo.diagnostic import Finding, Level, Mark
from choreo.plan.model import Home, Plan
from choreo.text import Text

ID, LEVEL, READS = "one-start", Level.ERROR, Plan


def check(facts: Facts) -> Iterator[Finding]:
    """Each set of axes that one step starts at once; each set of dialects is said once."""
    said: set[tuple[str, str]] = set()
    for scene in facts.scenes:
        action = scene.step.action
        groups = [action.axes] if isinstance(action, Home) else [[m.axis for m in g] for g in together(scene.step)]
        for group in groups:
            found = _apart(facts, group)
            if found is not None and (names := tuple(facts.plan.axes[axis].dialect for axis in found)) not in said:
                said.add((names[0], names[1]))
                yield _finding(facts, scene, found)


def _apart(facts: Facts, axes: Sequence[int]) -> tuple[int, int] | None:
    """Two axes that no frame starts together."""
    first = axes[0]
    for axis in axes[1:]:
        if facts.plan.axes[axis].dialect == facts.plan.axes[first].dialect:
            continue
        frames = facts.dialect(first).start_frame, facts.dialect(axis).start_frame
        if frames[0] is None or frames[0] != frames[1]:
            return first, axis
    return None


def _finding(facts: Facts, scene: Scene, axes: tuple[int, int]) -> Finding:
    first, other = (facts.plan.axes[axis] for axis in axes)
    spans = [facts.recipe.axes[Text(axis.name)].dialect.span for axis in (first, other)]
    return Finding(
        ID,
        f"{first.name} and {other.name} would start together in step {scene.step.path}, and no frame starts both: they "
        f"speak {first.dialect} and {other.dialect}",
        Mark(scene.step.place, "starts both"),
        (Mark(spans[0], first.name), Mark(spans[1], other.name)),
        "Move one after the other: `order`, or two steps.",
        level=LEVEL,
    )
