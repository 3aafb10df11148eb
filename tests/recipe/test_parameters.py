"""Parameters: what `--set` may do, and whether a value fits each place where it is used."""

from fractions import Fraction

import pytest

from choreo.diagnostic import Level, Span
from choreo.diagnostic.render import full_text
from choreo.units import Quantity

BODY = """\
parameters:
  stroke: {value: 60 mm, allowed: [50 mm, 0.9 m]}
  pause: {value: 250 ms}
steps:
  - move: {beam: {by: $stroke}}
  - dwell: $pause
"""


def test_a_parameter_has_the_value_of_the_file(bench):
    assert bench.recipe(BODY).values == {"stroke": Quantity(Fraction(60), "mm"), "pause": Quantity(Fraction(250), "ms")}


@pytest.mark.parametrize("text", ["50 mm", "900 mm", "0.9 m", "75.5 mm"])
def test_a_value_may_be_set_within_what_is_allowed(bench, text):
    recipe = bench.recipe(BODY, {"stroke": text})
    assert recipe.quantity(recipe.steps[0].move.by_group["beam"].by).text() == text
    assert recipe.parameter_texts["stroke"] == text


@pytest.mark.parametrize(
    ("overrides", "rule", "text"),
    [
        ({"stroke": "49.999 mm"}, "parameter-not-allowed", "49.999 mm"),
        ({"stroke": "901 mm"}, "parameter-not-allowed", "901 mm"),
        ({"stroke": "60"}, "bad-quantity", "60"),
        ({"stroke": "60 deg"}, "wrong-dimension", "60 deg"),
        ({"stroke": ""}, "bad-quantity", ""),
        ({"stroke": "$pause"}, "bad-quantity", "$pause"),
        ({"strok": "60 mm"}, "unknown-parameter", "strok"),
        ({"": "60 mm"}, "unknown-parameter", "="),
    ],
)
def test_what_cannot_be_set_is_marked_on_the_command_line(bench, overrides, rule, text):
    assert bench.found(BODY, overrides) == [(rule, text)]


def test_a_setting_that_does_not_fit_its_place_shows_both(bench):
    refusal = bench.refusal(BODY, {"pause": "-1 s"})
    (finding,) = refusal.findings
    assert finding.rule == "out-of-range"
    assert finding.primary.span == Span(str(bench.path), 9, 12, 6)
    assert [(mark.span, mark.label) for mark in finding.others] == [(Span("--set", 1, 7, 4), "the value")]


def test_a_finding_about_a_setting_is_shown_with_the_setting(bench):
    refusal = bench.refusal(BODY, {"pause": "1 s", "strok": "60 mm"})
    assert full_text(refusal.findings, refusal.lines) == (
        "--set:2:1  the recipe has no parameter `strok`   (unknown-parameter)\n"
        "     2 | strok=60 mm\n"
        "       | ^^^^^\n"
        "  Did you mean `stroke`?\n"
    )


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        ("value: 60 mm", "value: 40 mm", [("parameter-not-allowed", "40 mm")]),
        ("value: 60 mm", "value: $pause", [("bad-reference", "$pause")]),
        ("value: 60 mm", "value: 60", [("unit-missing", "60")]),
        ("value: 60 mm, ", "", [("missing-key", "stroke")]),
        ("allowed: [50 mm, 0.9 m]", "allowed: [50 mm, 0.9 deg]", [("wrong-dimension", "0.9 deg")]),
        ("allowed: [50 mm, 0.9 m]", "allowed: [$pause, 0.9 m]", [("bad-reference", "$pause")]),
        ("allowed: [50 mm, 0.9 m]", "allowed: [90 mm, 50 mm]", [("empty-range", "50 mm")]),
        ("allowed: [50 mm, 0.9 m]", "allowed: 50 mm", [("wrong-type", "50 mm")]),
        (
            "  pause:",
            "  pa-use:",
            [("bad-name", "pa-use"), ("unused-parameter", "pa-use"), ("unknown-parameter", "$pause")],
        ),
        ("by: $stroke", "by: $strokes", [("unused-parameter", "stroke"), ("unknown-parameter", "$strokes")]),
        ("dwell: $pause", "dwell: $stroke", [("unused-parameter", "pause"), ("wrong-dimension", "$stroke")]),
        ("dwell: $pause", "dwell: -$pause", [("out-of-range", "-$pause")]),
    ],
)
def test_a_parameter_must_make_sense(bench, old, new, expected):
    assert old in BODY
    assert bench.found(BODY.replace(old, new)) == expected


def test_a_parameter_that_nothing_uses_is_only_warned_of(bench):
    recipe = bench.recipe(BODY.replace("by: $stroke", "by: 5 mm"))
    (warning,) = recipe.warnings
    assert (warning.rule, warning.level) == ("unused-parameter", Level.WARNING)


def test_a_machine_file_takes_no_parameters(bench):
    bench.machine("back_off: 8 mm", "back_off: $stroke")
    assert bench.found(BODY) == [("bad-reference", "$stroke")]


def test_a_recipe_without_parameters_says_so(bench):
    (finding,) = bench.refusal("steps:\n  - enable: all\n", {"x": "5 mm"}).findings
    assert finding.rule == "unknown-parameter"
    assert finding.help == "It has no parameters at all."
