"""Runs the rules over a recipe and its plan."""

from collections.abc import Iterable, Iterator

from choreo.checks.after_stop import of_sequences
from choreo.checks.catalogue import CHECKS
from choreo.checks.facts import Check, Facts
from choreo.diagnostic import Finding, Level, Span
from choreo.diagnostic.order import by_position
from choreo.plan.model import Plan
from choreo.recipe.model import Recipe
from choreo.text.memory import collecting_later


def run_checks(plan: Plan | None, recipe: Recipe, checks: Iterable[Check] = CHECKS) -> list[Finding]:
    """
    The findings of all rules, by position. Without a plan only the rules that read the recipe alone are run.

    What a repeat does wrong in every pass is said once, and so is what both sides of a pair do wrong. Sequences for the
    time after a stop are checked as far as that goes.
    """
    facts = Facts(recipe, plan)
    checks = tuple(checks)
    with collecting_later():
        found = list(_all(facts, checks))
        if plan is not None and plan.retreat is None:
            found += of_sequences(recipe, plan, checks)
        return list(by_position(_once(found)))


def _all(facts: Facts, checks: Iterable[Check]) -> Iterator[Finding]:
    after_stop = facts.known_plan is not None and facts.known_plan.retreat is not None
    for check in checks:
        if check.READS is Recipe and check.LEVEL is not Level.ERROR and after_stop:
            continue  # of the recipe as a whole, and said when it was checked
        if check.READS is Recipe or facts.known_plan is not None:
            yield from check.check(facts)


def _once(findings: Iterable[Finding]) -> Iterator[Finding]:
    seen: set[tuple[str, tuple[Span, ...]]] = set()
    for finding in findings:
        if finding.primary is not None:
            key = (finding.rule, (finding.primary.span, *(mark.span for mark in finding.others)))
            if key in seen:
                continue
            seen.add(key)
        yield finding
