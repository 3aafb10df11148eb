"""
A step's own timeout leaves it the time that it is predicted to take.

Predicted is the whole: frames, motion, the tail of the position loop, settling (practice.md P31). Without a `timeout`
of its own a step has one and a half times that and a second.

Passes:

    steps:
      - move: {carriage: {to: 1000 mm, speed: 100 mm/s}}
        timeout: 15 s

Fails:

    steps:
      - move: {carriage: {to: 1000 mm, speed: 100 mm/s}}
        timeout: 5 s
"""

from collections.abc import Iterator

from choreo.checks.facts import Facts
from choreo.diagnostic import Finding, Level, Mark
from choreo.plan.model import Plan
from choreo.plan.state import default_timeout_ns
from choreo.units import show_ns

ID, LEVEL, READS = "timeout-too-short", Level.ERROR, Plan


def check(facts: Facts) -> Iterator[Finding]:
    """Steps with a timeout of their own."""
    for scene in facts.scenes:
        step = scene.step
        if step.timeout_ns >= step.predicted_ns:
            continue
        timeout = facts.written(scene).timeout
        yield Finding(
            ID,
            f"step {step.path} ({step.label}) is predicted to take {_rounded(step.predicted_ns)}, and its timeout is "
            f"{show_ns(step.timeout_ns)}",
            Mark(step.place if timeout is None else timeout.span, f"{_rounded(step.predicted_ns)} are needed"),
            (),
            f"Give it {_rounded(default_timeout_ns(step.predicted_ns))}, or leave the timeout out.",
            level=LEVEL,
        )


def _rounded(ns: int) -> str:
    """To a tenth of a second, upwards."""
    return show_ns(-(-ns // 100_000_000) * 100_000_000)
