"""Sequences for the time after a stop, before there was one: what is wrong from wherever the axes may stand."""

import pytest

from choreo.checks import run_checks
from choreo.plan.after_stop import resolve_after_stop
from choreo.plan.model import Left

HEAD = """\
sequences:
  clear:
    after_stop: true
    steps:
      - confirm: "Nobody is near"
      - configure:
          carriage: {speed: 50 mm/s, acceleration: 400 mm/s^2, jerk: 4000 mm/s^3, quick_stop: 1500 mm/s^2}
      - enable: carriage
"""


def found(bench, lines):
    return {(finding.rule, bench.marked(finding.primary)) for finding in bench.findings(HEAD + lines)}


@pytest.mark.parametrize(
    ("move", "rules"),
    [
        ("{to: 1301 mm}", {"travel"}),
        ("{to: 1300 mm}", set()),
        ("{by: 1301 mm}", {"travel"}),
        ("{by: -1301 mm}", {"travel"}),
        ("{by: 1299 mm}", set()),  # from the lower end it is possible
        ("{by: -1299 mm}", set()),  # from the upper end it is
    ],
)
def test_a_target_outside_from_everywhere(bench, move, rules):
    """The travel of the carriage is 0 to 1300 mm (base.yaml)."""
    ours = {rule for rule, _ in found(bench, f"      - move: {{carriage: {move}}}\n")} - {"after-stop-later"}
    assert ours == rules


def test_power_taken_in_the_sequence_itself_is_seen(bench):
    lines = "      - disable: carriage\n      - move: {carriage: {to: 5 mm}}\n"
    assert ("not-enabled", "5 mm") in found(bench, lines)


def test_a_load_that_is_never_started(bench):
    assert "load-unused" in {rule for rule, _ in found(bench, "      - preload: {carriage: {to: 5 mm}}\n")}


def test_values_are_judged_as_in_any_step(bench):
    """501 mm/s is above the limit of 500 mm/s (base.yaml)."""
    assert ("speed-limit", "501 mm/s") in found(bench, "      - configure: {carriage: {speed: 501 mm/s}}\n")


def test_after_a_run_it_is_judged_from_where_the_axes_are(bench):
    """From 1290 mm, 20 mm lead 10 mm beyond the travel; what is said of the recipe as a whole is not said again."""
    recipe = bench.load(HEAD + "      - move: {carriage: {by: 20 mm}}\n  unused: {steps: [{dwell: 1 s}]}\n")
    counts = 1290 * 8192 // 3
    left = [Left(axis, counts, home_valid=axis == 2, energised=False) for axis in range(4)]
    plan, problems = resolve_after_stop(recipe, "clear", left)
    assert problems == []
    findings = run_checks(plan, recipe)
    assert [finding.rule for finding in findings] == ["travel"]
    assert "1310 mm" in findings[0].headline


def test_without_home_the_limits_of_an_axis_without_home_hold(bench):
    recipe = bench.load(HEAD + "      - move: {carriage: {by: 20 mm, speed: 90 mm/s}}\n")
    left = [Left(axis, 0, home_valid=False, energised=False) for axis in range(4)]
    plan, _ = resolve_after_stop(recipe, "clear", left)
    rules = {finding.rule for finding in run_checks(plan, recipe)}
    assert "unhomed-limit" in rules
