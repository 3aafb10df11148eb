"""
A tracking limit is wide enough for the time between question and answer.

A reading was taken somewhere between the request and the end of its reply, of an axis that set off somewhere within
one cycle of its drive. At speed v each half of that time makes v * dt of uncertainty on either side of the middle,
which choreo adds to the limit when it watches; a limit below it would be lost in it (practice.md P8). A millisecond
at 250 mm/s is 0.25 mm.

Passes:

    steps:
      - move: {carriage: {to: 1000 mm, speed: 300 mm/s}}

Fails:

    limits:
      carriage: {tracking: 0.2 mm}
    steps:
      - move: {carriage: {to: 1000 mm, speed: 300 mm/s}}
"""

from collections.abc import Iterator

from choreo.checks.facts import Facts, in_words
from choreo.diagnostic import Finding, Level, Mark
from choreo.plan.model import AxisMove, Plan
from choreo.units import NS_PER_S, show_ns

ID, LEVEL, READS = "tracking-timing", Level.ERROR, Plan


def check(facts: Facts) -> Iterator[Finding]:
    """The fastest move of each axis."""
    fastest: dict[int, AxisMove] = {}
    for _, move in facts.moves():
        known = fastest.get(move.axis)
        if known is None or move.profile.peak_velocity > known.profile.peak_velocity:
            fastest[move.axis] = move
    for move in fastest.values():
        yield from _judge(facts, move)


def _judge(facts: Facts, move: AxisMove) -> Iterator[Finding]:
    response_ns = facts.budget.worst_response_ns
    if response_ns is None:  # a bus too full to answer in time is refused as such
        return
    axis, speed = facts.plan.axes[move.axis], move.profile.peak_velocity
    dt_ns = (response_ns + facts.dialect(move.axis).timing.cycle_ns) // 2
    uncertain = speed * dt_ns / NS_PER_S
    limit = facts.recipe.limits[axis.name].tracking
    if uncertain <= axis.limits.tracking or limit is None:
        return
    place = move.speed_place
    yield Finding(
        ID,
        f"{facts.called(axis.index)} has a tracking limit of {in_words(axis.limits.tracking, axis)}; the timing of a "
        f"reading alone makes {in_words(round(uncertain, 2), axis)} at {in_words(round(speed, 1), axis, '/s')}",
        Mark(limit.span, "narrower than the timing"),
        () if place is None else (Mark(place, "the fastest move"),),
        f"Widen the limit, or move at {in_words(int(axis.limits.tracking * NS_PER_S / dt_ns), axis, '/s')} or less.",
        f"The time of a reading is known to {show_ns(dt_ns)} either way: half of the worst response and drive cycle.",
        LEVEL,
    )
