"""
Sequences for the time after a stop, as far as they can be judged before there was one (practice.md P17).

Every axis is taken to have its home and its power. Where it stands nobody knows, so each sequence is gone through
twice, from the lower and from the upper ends of all travels: a target that is outside from both is outside from
everywhere.
"""

from collections.abc import Iterable, Iterator

from choreo.checks.facts import Check, Facts
from choreo.diagnostic import Finding, Span
from choreo.plan.after_stop import resolve_after_stop
from choreo.plan.model import Left, Plan
from choreo.recipe.model import Recipe

#: Rules whose findings do not depend on how a run left the axes, when judged as above.
RULES = frozenset(
    {
        "after-stop-fast",
        "after-stop-unconfirmed",
        "double-load",
        "drive-ceiling",
        "load-set",
        "load-unused",
        "not-configured",
        "not-enabled",
        "pair-reaction",
        "pair-together",
        "square-limit",
        "timeout-too-short",
        "tracking-timing",
        "travel",
        "wait-without-move",
        "window-below-noise",
    }
)


def of_sequences(recipe: Recipe, plan: Plan, checks: Iterable[Check]) -> Iterator[Finding]:
    """The findings of every sequence with `after_stop: true`."""
    rules = [check for check in checks if check.ID in RULES]
    for name, sequence in recipe.sequences.items():
        if sequence.after_stop:
            low = _from(recipe, plan, str(name), rules, 0)
            high = _from(recipe, plan, str(name), rules, 1)
            everywhere = {_place(found) for found in high}
            yield from (found for found in low if _place(found) in everywhere)


def _from(recipe: Recipe, plan: Plan, name: str, rules: Iterable[Check], end: int) -> list[Finding]:
    """`end` of all travels: 0 the lower, 1 the upper."""
    left = tuple(
        Left(axis.index, axis.counts(axis.limits.travel[end]), home_valid=True, energised=True) for axis in plan.axes
    )
    made, findings = resolve_after_stop(recipe, name, left)
    if made is not None:
        facts = Facts(recipe, made)
        for rule in rules:
            findings += rule.check(facts)
    return findings


def _place(found: Finding) -> tuple[str, Span | None]:
    """Rule and place: the words may differ from end to end."""
    return found.rule, None if found.primary is None else found.primary.span
