"""
A fault is reset at the beginning, or after a stop.

A drive that goes into fault while a recipe runs ends the run: all axes are stopped, and nothing is reset unasked
(practice.md P17). So a `reset_fault` after the first `enable` resets nothing. It belongs in front of that, or into a
sequence with `after_stop: true`.

Passes:

    # from the start
    steps:
      - reset_fault: {axes: carriage, confirm: "The carriage has been freed"}
      - enable: carriage

Fails:

    # from the start
    steps:
      - enable: carriage
      - reset_fault: {axes: carriage, confirm: "The carriage has been freed"}
      - enable: carriage
"""

from collections.abc import Iterator

from choreo.checks.facts import Facts
from choreo.diagnostic import Finding, Level, Mark, Span
from choreo.plan.model import Enable, Plan, ResetFault

ID, LEVEL, READS = "reset-late", Level.WARNING, Plan


def check(facts: Facts) -> Iterator[Finding]:
    """Resets of a drive that has been enabled before."""
    enabled: dict[int, Span] = {}
    for scene in facts.scenes:
        action = scene.step.action
        if isinstance(action, Enable):
            enabled |= {axis: scene.step.place for axis in action.axes if axis not in enabled}
        elif isinstance(action, ResetFault):
            late = [axis for axis in action.axes if axis in enabled]
            if late:
                yield Finding(
                    ID,
                    f"{facts.names(late)} was enabled before: a fault since then would have ended the run, so there is "
                    "none to reset",
                    Mark(scene.step.place, "resets nothing"),
                    (Mark(enabled[late[0]], "enabled here"),),
                    "Put it before `enable`, or into a sequence with `after_stop: true`.",
                    level=LEVEL,
                )
