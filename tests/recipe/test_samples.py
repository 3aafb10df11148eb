"""The shipped recipes of the kiln-shelf gantry, against practice.md, "The demo machine" (our own invention)."""

from fractions import Fraction as F
from pathlib import Path

import pytest

from choreo.recipe.load import load
from choreo.recipe.steps import ConfigureStep, HomeStep, RepeatStep

KILN = Path(__file__).parents[2] / "recipes" / "kiln_gantry"
NAMES = sorted(path.stem for path in KILN.glob("*.yaml") if path.stem != "machine")


@pytest.fixture(scope="module")
def recipe():
    return load(KILN / "home_and_test.yaml")


def test_every_shipped_recipe_is_sound_by_itself():
    assert NAMES == ["beam_first", "find_shelf", "home_and_test", "stale_load", "too_fast"]
    for name in NAMES:
        assert load(KILN / f"{name}.yaml").warnings == ()


@pytest.mark.parametrize(
    ("axis", "node", "per_mm", "travel", "speed", "ramp", "jerk", "quick_stop", "window"),
    [
        ("beam_left", 11, F("4915.2"), (0, 2400), 400, 800, 8000, 3000, 3),
        ("beam_right", 12, F("4915.2"), (0, 2400), 400, 800, 8000, 3000, 3),
        ("carriage", 13, F(8192, 3), (0, 1300), 500, 1500, 15000, 4000, 2),
        ("lift", 14, F("6553.6"), (0, 650), 120, 400, 4000, 1500, 1),
    ],
)
def test_the_machine_has_the_values_of_the_table(
    recipe, axis, node, per_mm, travel, speed, ramp, jerk, quick_stop, window
):
    own, limits = recipe.axes[axis], recipe.limits[axis]
    scale = own.scale
    counts = F(scale.counts_per_motor_rev) * scale.gear.motor / scale.gear.output
    assert own.node == node
    assert counts / scale.travel_per_output_rev.given.to("mm") == per_mm
    assert tuple(end.given.to("mm") for end in limits.travel) == travel
    assert limits.speed.given.to("mm/s") == speed
    assert limits.acceleration.given.to("mm/s^2") == ramp
    assert limits.jerk.given.to("mm/s^3") == jerk
    assert limits.quick_stop.given.to("mm/s^2") == quick_stop
    assert limits.tracking.given.to("mm") == window


@pytest.mark.parametrize(
    ("group", "search", "crawl", "edges"),
    [
        ("beam", 60, 4, {"beam_left": F("-8.0"), "beam_right": F("-6.9")}),
        ("carriage", 80, 5, {"carriage": -6}),
        ("lift", 40, 3, {"lift": 655}),
    ],
)
def test_homing_has_the_values_of_the_table(recipe, group, search, crawl, edges):
    homing = recipe.homing[group]
    assert (homing.search.given.to("mm/s"), homing.crawl.given.to("mm/s")) == (search, crawl)
    assert {axis: recipe.home_at(group, axis).given.to("mm") for axis in recipe.axes_of(group)} == edges


def test_the_pair_and_the_brake_have_the_values_of_the_table(recipe):
    skew, brake = recipe.pairs["beam"].skew, recipe.axes["lift"].brake
    assert (skew.trip.given.to("mm"), skew.structural.given.to("mm")) == (F(3, 2), 20)
    assert (brake.release.given.to("ms"), brake.engage.given.to("ms"), brake.sag.given.to("mm")) == (40, 60, F(1, 10))
    assert recipe.axes["lift"].load == "vertical"
    assert (recipe.name, recipe.simulated) == ("kiln-shelf gantry", "kiln_gantry")


def test_the_run_speeds_are_those_of_the_table(recipe):
    configure = next(step for step in recipe.steps if isinstance(step, ConfigureStep)).configure
    assert {name: settings.speed.given.to("mm/s") for name, settings in configure.items()} == {
        "beam": 250,
        "carriage": 500,
        "lift": 120,
    }


def test_the_opening_and_the_test_come_in_the_order_of_practice(recipe):
    """practice.md, "The demo machine": what the opening and the test do, in this order."""
    assert [step.verb for step in recipe.steps] == [
        *("link_check", "configure", "enable", "enable"),
        *("move", "move", "move"),
        *("home", "home", "home", "move"),
        "repeat",
        *("move", "move"),
        *("disable", "dwell", "enable", "expect"),
        *("home", "expect", "home", "expect", "home", "expect", "expect"),
        "move",
    ]
    assert [step.verb for step in recipe.closing] == ["disable"]
    assert recipe.steps[0].link_check.exchanges == 300
    homed = [step.home for step in recipe.steps if isinstance(step, HomeStep)]
    assert homed == [("lift",), ("carriage",), ("beam",)] * 2
    cycles = next(step for step in recipe.steps if isinstance(step, RepeatStep))
    assert cycles.repeat == 5
    assert [step.verb for step in cycles.steps] == ["preload", "trigger", "wait_for_position", "dwell", "move"]


def test_the_first_moves_are_small_and_slow(recipe):
    for step, group in zip(recipe.steps[4:7], ("lift", "carriage", "beam"), strict=True):
        (name, target), *rest = step.move.by_group.items()
        assert (name, rest) == (group, [])
        assert target.by.given.to("mm") == 5
        assert step.speed.given.to("mm/s") == 10


def test_what_is_homed_first_is_declared(recipe):
    assert recipe.homing_order == (("lift",), ("carriage",), ("beam",))


def test_the_failing_variants_fail_by_what_they_are_named_for():
    fast = load(KILN / "too_fast.yaml")
    (configure,) = [step for step in fast.steps if isinstance(step, ConfigureStep)]
    assert configure.configure["beam"].speed.given.to("mm/s") == 400
    first = load(KILN / "beam_first.yaml")
    homed = [step.home for step in first.steps if isinstance(step, HomeStep)]
    assert homed.index(("beam",)) < homed.index(("lift",))
    stale = load(KILN / "stale_load.yaml")
    loaded = next(step for step in stale.steps if step.verb == "preload").preload.by_group
    named = next(step for step in stale.steps if step.verb == "trigger").trigger
    assert set(named) < set(loaded)
