"""
A beam is stopped before a stalled side can rack it to its structural skew.

When one side stalls, the other goes on until the skew has reached `trip`, then for as long as it takes to see it (a
poll and the worst response on the bus), then over the ramp of the quick stop:

    skew = trip + speed * (poll + response) + speed^2 / (2 * quick stop)

That is computed for the fastest motion of each pair and must stay below `structural` (practice.md P9, common
practice, no source). At 250 mm/s, 50 polls a second, a response of 5 ms and 3000 mm/s^2 it is 18.2 mm; at 400 mm/s it
is 38 mm.

Passes:

    steps:
      - configure: {beam: {speed: 250 mm/s}}
      - move: {beam: {to: 1000 mm}}

Fails:

    steps:
      - configure: {beam: {speed: 400 mm/s}}
      - move: {beam: {to: 1000 mm}}
"""

from collections.abc import Iterator
from fractions import Fraction
from math import sqrt

from choreo.checks.facts import Facts, in_words
from choreo.checks.scenes import Scene
from choreo.diagnostic import Finding, Level, Mark, Span
from choreo.plan.model import Home, PairPlan, Plan
from choreo.text import Text
from choreo.units import NS_PER_S, show_ns

ID, LEVEL, READS = "pair-reaction", Level.ERROR, Plan


def skew_reached(speed: float, trip: float, blind_s: float, deceleration: float) -> float:
    """
    How far the sides are apart when the moving one has come to rest, in the unit of `trip`; `speed` in that unit a
    second. `blind_s` is the time from the trip to the stop, in seconds. Source: practice.md P9 (common practice).
    """
    return trip + speed * blind_s + speed**2 / (2 * deceleration)


def fastest(structural: float, trip: float, blind_s: float, deceleration: float) -> float:
    """The speed at which `structural` is just reached; 0 when the trip alone reaches it."""
    left = max(0.0, structural - trip)
    return deceleration * (sqrt(blind_s**2 + 2 * left / deceleration) - blind_s)


def check(facts: Facts) -> Iterator[Finding]:
    """The moves of each pair, and its searches in homing, where the trip is wider by the square limit."""
    for pair in facts.plan.pairs:
        for scene, move in facts.moves():
            if move.axis in pair.axes:
                place = move.speed_place or move.place or scene.step.place
                yield from _judge(facts, scene, pair, move.profile.peak_velocity, pair.trip, place)
        for scene in facts.scenes:
            action = scene.step.action
            if isinstance(action, Home) and set(action.axes) & set(pair.axes):
                place = facts.recipe.homing[Text(pair.name)].search.span
                yield from _judge(facts, scene, pair, float(action.search), pair.trip + action.square_limit, place)


def _judge(facts: Facts, scene: Scene, pair: PairPlan, speed: float, trip: Fraction, place: Span) -> Iterator[Finding]:
    response_ns = facts.budget.worst_response_ns
    if response_ns is None:  # a bus too full to answer in time is refused as such
        return
    blind_ns = max(facts.plan.poll_ns, facts.budget.round_ns, facts.budget.node_ns) + response_ns
    blind_ns += facts.budget.held_up_ns  # a drive that must be spoken to slowly
    ramp = float(min(_quick_stop(facts, scene, axis) for axis in pair.axes))
    given = (float(trip), blind_ns / NS_PER_S, ramp)
    skew, structural = skew_reached(speed, *given), float(pair.structural)
    if skew <= structural:
        return
    axis = facts.plan.axes[pair.axes[0]]
    most = in_words(int(fastest(structural, *given)), axis, "/s")
    yield Finding(
        ID,
        f"{pair.name} could be racked by {in_words(round(skew, 1), axis)} when one side stalls at "
        f"{in_words(round(speed, 1), axis, '/s')}; its structural skew is {in_words(pair.structural, axis)}",
        Mark(place, f"too fast for a stop within {in_words(pair.structural, axis)}"),
        (Mark(facts.recipe.pairs[Text(pair.name)].skew.structural.span, "must never be reached"),),
        f"Lower the speed of {pair.name} to {most}, or stop it faster: more polls a second, a steeper quick stop.",
        f"{in_words(trip, axis)} of skew trip the stop, {show_ns(blind_ns)} pass until it is sent, and the ramp at "
        f"{in_words(ramp, axis, '/s^2')} takes {in_words(round(speed**2 / (2 * ramp), 1), axis)}.",
        LEVEL,
    )


def _quick_stop(facts: Facts, scene: Scene, axis: int) -> Fraction:
    """As configured; the limit where nothing has set it, which another rule refuses."""
    configured = facts.real(scene.axes, axis, facts.dialect(axis).quick_stop_ramp)
    return configured if configured is not None else facts.plan.axes[axis].limits.quick_stop
