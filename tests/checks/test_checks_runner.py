"""The runner, and the recipes that ship."""

from pathlib import Path

import pytest

from checks.bench import ALL
from choreo.checks import CHECKS, run_checks
from choreo.diagnostic import Level
from choreo.plan.model import Plan
from choreo.plan.resolve import resolve
from choreo.recipe.load import load
from choreo.recipe.model import Recipe

RECIPES = Path(__file__).parents[2] / "recipes" / "kiln_gantry"


def looked_at(name):
    recipe = load(RECIPES / f"{name}.yaml")
    plan, findings = resolve(recipe)
    assert findings == []
    return recipe, plan, run_checks(plan, recipe)


def test_the_recipe_that_ships_is_clean():
    recipe, _, found = looked_at("home_and_test")
    assert (*recipe.warnings, *found) == ()


@pytest.mark.parametrize(
    ("name", "rule", "says"),
    [
        # practice.md, demo machine: 38 mm with a response of 5 ms; this bus answers within 6.8 ms at the worst.
        ("too_fast", "pair-reaction", ["beam could be racked by 38", "400 mm/s", "structural skew is 20 mm"]),
        ("beam_first", "home-order", ["beam would be homed in step 4 before lift"]),
        ("stale_load", "load-set", ["the trigger in step 8 would also start carriage"]),
    ],
)
def test_each_recipe_that_must_fail_fails_by_its_one_rule(name, rule, says):
    _, _, found = looked_at(name)
    (finding,) = found
    assert (finding.rule, finding.level) == (rule, Level.ERROR)
    for part in says:
        assert part in finding.headline


def test_the_mark_of_the_recipe_that_is_too_fast_stands_under_its_speed():
    recipe, _, (finding,) = looked_at("too_fast")
    span = finding.primary.span
    assert recipe.sources[span.file][span.line - 1][span.column - 1 :][: span.length] == "400 mm/s"


def test_without_a_plan_the_rules_that_need_none_are_run(bench):
    recipe = bench.load("axes:\n  lift: {node: 99, load: vertical}\nlimits:\n  lift: {speed: 100 mm/s}\n")
    plan, findings = resolve(recipe)
    assert plan is None
    assert [finding.rule for finding in findings] == ["node-range"]
    assert [finding.rule for finding in run_checks(plan, recipe)] == ["vertical-brake", "speed-limit"]


def test_a_rule_that_reads_a_plan_is_not_asked_without_one(bench):
    asked = []

    class Spy:
        ID, LEVEL = "spy", Level.ERROR

        def __init__(self, reads):
            self.READS = reads

        def check(self, facts):
            asked.append(self.READS)
            return iter(())

    recipe = bench.load("steps:\n  - dwell: 1 s\n")
    run_checks(None, recipe, [Spy(Plan), Spy(Recipe)])
    assert asked == [Recipe]


def test_what_a_repeat_does_wrong_is_said_once_for_each_axis(bench):
    piece = "steps:\n  - repeat: 3\n    steps:\n      - move: {all: {to: 900 mm}}\n        speed: 60 mm/s\n"
    found = [finding for finding in bench.findings(piece) if finding.rule == "travel"]
    assert [bench.marked(finding.others[0]) for finding in found] == ["650 mm"]


def test_findings_do_not_change_from_one_look_to_the_next(bench):
    recipe = bench.load("steps:\n  - move: {all: {to: 2 m, speed: 1 m/s}}\n  - trigger: all\n")
    plan, _ = resolve(recipe)
    assert run_checks(plan, recipe) == run_checks(plan, recipe)


def test_no_rule_is_called_twice_and_all_names_can_be_read():
    names = [check.ID for check in CHECKS]
    assert len(set(names)) == len(names) == len(ALL)
    assert all(name == name.lower() and name.replace("-", "").isalpha() for name in names)
