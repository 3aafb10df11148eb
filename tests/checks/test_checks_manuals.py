"""The manual of every rule is true: its first recipe passes, its second fails, and nothing but by this rule."""

import importlib
import pkgutil

import pytest

from checks.bench import ALL, examples
from choreo.checks import CHECKS, rules
from choreo.diagnostic import Level
from choreo.plan.model import Plan
from choreo.recipe.model import Recipe


@pytest.mark.parametrize("name", sorted(ALL))
def test_the_recipe_that_passes_passes(bench, name):
    passes, _ = examples(ALL[name])
    assert bench.of(name, passes) == []


@pytest.mark.parametrize("name", sorted(ALL))
def test_the_recipe_that_fails_fails(bench, name):
    _, fails = examples(ALL[name])
    found = bench.of(name, fails)
    assert found
    for finding in found:
        assert finding.level is ALL[name].LEVEL
        assert finding.help.endswith(".")
        assert finding.headline
        assert not finding.headline.endswith(".")
        for mark in (finding.primary, *finding.others):
            assert bench.marked(mark).strip()


def test_every_file_is_in_the_list_under_its_own_name():
    files = {module.name for module in pkgutil.iter_modules(rules.__path__)}
    assert {check.ID.replace("-", "_") for check in CHECKS} == files
    assert len(CHECKS) == len(files)
    for name in files:
        assert importlib.import_module(f"{rules.__name__}.{name}") is ALL[name.replace("_", "-")]


def test_every_rule_says_its_level_and_what_it_reads():
    for check in CHECKS:
        assert check.LEVEL in Level
        assert check.READS in (Recipe, Plan)
