"""
After a stop nothing gets power or moves before somebody has looked.

Nothing resumes by itself (practice.md P17). A sequence with `after_stop: true` is begun by a person; that this person
has been to the machine is said by a `confirm`, or by that of a `reset_fault`, before the first thing that could move.

Passes:

    sequences:
      clear:
        after_stop: true
        steps:
          - confirm: "Nobody is near, nothing is jammed"
          - enable: carriage

Fails:

    sequences:
      clear:
        after_stop: true
        steps:
          - enable: carriage
"""

from collections.abc import Iterator

from choreo.checks.facts import Facts
from choreo.diagnostic import Finding, Level, Mark
from choreo.plan.model import Confirm, Plan, ResetFault

ID, LEVEL, READS = "after-stop-unconfirmed", Level.WARNING, Plan

#: Verbs that give no axis power, move none and switch nothing.
HARMLESS = frozenset({"link_check", "configure", "disable", "dwell", "expect", "wait_for"})


def check(facts: Facts) -> Iterator[Finding]:
    """The first step of a sequence that could move an axis."""
    if facts.plan.retreat is None:
        return
    for scene in facts.scenes:
        action = scene.step.action
        if scene.closing or isinstance(action, Confirm | ResetFault):
            return
        if scene.step.verb not in HARMLESS:
            yield Finding(
                ID,
                f"step {scene.step.path} is a `{scene.step.verb}`, and nobody has been asked before it",
                Mark(scene.step.place, "not confirmed"),
                (),
                'Begin the sequence with `- confirm: "..."`, about what must be true at the machine.',
                level=LEVEL,
            )
            return
