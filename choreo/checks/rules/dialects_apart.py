"""
No frame of one dialect means anything to a drive of another.

Drives of several dialects share one bus. Where a request to the one has the identifier on which the other listens, it
may move that one; where their answers share an identifier, nobody knows whose they are (practice.md P3, P36).

Passes:

    axes:
      carriage: {dialect: ./elsewhere.yaml}
    steps:
      - dwell: 250 ms

Fails:

    axes:
      carriage: {dialect: ./crossing.yaml}
    steps:
      - dwell: 250 ms
"""

from collections.abc import Iterator
from itertools import permutations

from choreo.checks.facts import Facts
from choreo.diagnostic import Finding, Level, Mark
from choreo.frame import Frame
from choreo.plan.model import AxisPlan, Plan
from choreo.text import Text
from choreo.wire.dialect import TO_ALL, Dialect
from choreo.wire.words import FrameClass

ID, LEVEL, READS = "dialects-apart", Level.ERROR, Plan


def check(facts: Facts) -> Iterator[Finding]:
    """Every dialect against every other, with the nodes that they have here; a pair of them is said once."""
    said: set[frozenset[str]] = set()
    for one, other in permutations(facts.plan.dialects, 2):
        if frozenset((one, other)) in said:
            continue
        found = next(_shared(facts, one, other), None)
        if found is not None:
            said.add(frozenset((one, other)))
            yield found


def _shared(facts: Facts, one: str, other: str) -> Iterator[Finding]:
    """What the drives of `other` hear of what is said to and by those of `one`."""
    ours, theirs = (facts.plan.dialects[name] for name in (one, other))
    if ours.extended is not theirs.extended:
        return
    axes = [axis for axis in facts.plan.axes if axis.dialect == one]
    listening = {axis.node: axis for axis in facts.plan.axes if axis.dialect == other}
    for axis in axes:
        for identifier in ours.identifiers((axis.node,)):
            number = theirs.addressee(identifier)
            if number == TO_ALL or number in listening:
                heard = next(iter(listening.values())) if number == TO_ALL else listening[number]
                yield _finding(facts, axis, heard, f"identifier {identifier:#x}")
    for frame, means in _broadcasts(ours):
        number = theirs.addressee(frame.id)
        told = theirs.decode(frame)
        if number in listening or (number == TO_ALL and told is not None and told.frame_class is not means):
            heard = listening.get(number, next(iter(listening.values()))) if number is not None else axes[0]
            yield _finding(facts, axes[0], heard, f"frame {frame.text()}")


def _broadcasts(dialect: Dialect) -> Iterator[tuple[Frame, FrameClass]]:
    if dialect.start_frame is not None:
        yield dialect.start_frame, FrameClass.STARTS
    yield from ((frame, FrameClass.STOPS) for frame in dialect.stop_frames)


def _finding(facts: Facts, axis: AxisPlan, heard: AxisPlan, what: str) -> Finding:
    spans = [facts.recipe.axes[Text(one.name)].dialect.span for one in (axis, heard)]
    return Finding(
        ID,
        f"what is said to {axis.name} in {axis.dialect} means something in {heard.dialect} to the drive of "
        f"{heard.name} ({what})",
        Mark(spans[0], axis.dialect),
        (Mark(spans[1], heard.dialect),),
        "Give the drives other node numbers, or put them on a bus of their own.",
        level=LEVEL,
    )
