"""
`closing` moves nothing.

Closing steps are done after success; after a failure only those of them that move nothing are (practice.md P17): a
machine that has just been stopped is not set in motion unasked. What stands there and moves is left out exactly when
it matters, so it belongs at the end of the steps.

Passes:

    closing:
      - disable: all

Fails:

    closing:
      - move: {carriage: {to: 300 mm}}
      - disable: all
"""

from collections.abc import Iterator

from choreo.checks.facts import Facts
from choreo.diagnostic import Finding, Level, Mark
from choreo.plan.model import Enable, Home, Move, MoveUntil, Plan, Preload, SetOutput, Trigger

ID, LEVEL, READS = "closing-moves", Level.WARNING, Plan

#: Actions that move an axis, or make one ready to move.
MOVING = (Move, MoveUntil, Preload, Trigger, Home, Enable, SetOutput)


def check(facts: Facts) -> Iterator[Finding]:
    """Steps of `closing`."""
    for scene in facts.scenes:
        if scene.closing and isinstance(scene.step.action, MOVING):
            yield Finding(
                ID,
                f"{scene.step.path} is a `{scene.step.verb}`: it can move an axis, so after a failure it is left out",
                Mark(scene.step.place, "not done after a failure"),
                (),
                "Move it to the end of `steps`; keep in `closing` what must be done in any case, such as `disable`.",
                level=LEVEL,
            )
