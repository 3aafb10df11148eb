"""What a sound recipe becomes: typed values that know their place."""

from fractions import Fraction

import pytest
from pydantic import ValidationError

from choreo.diagnostic import Span
from choreo.recipe.scalars import ParameterRef
from choreo.recipe.steps import (
    ConfigureStep,
    DisableStep,
    DwellStep,
    EnableStep,
    ExpectStep,
    HomeStep,
    LinkCheckStep,
    MoveStep,
    PreloadStep,
    RepeatStep,
    TriggerStep,
    WaitForPositionStep,
)
from choreo.units import Quantity

ALL_VERBS = """\
parameters:
  stroke: {value: 60 mm, allowed: [5 mm, 90 mm]}
positions:
  park: {beam: 100 mm, table: -90 deg}
steps:
  - link_check: {axes: all, exchanges: 30}
  - configure: {beam: {speed: 0.1 m/s, torque_limit: 80 %}, table: {acceleration: 100 deg/s^2}}
  - enable: [lift, beam]
    label: Power
    note: the lift first
  - home: [lift]
  - home: beam
  - repeat: 2
    steps:
      - preload: {beam: {by: $stroke}, table: {to: 1/4 rev, speed: 10 deg/s}}
        arrive: together
        speed: 50 mm/s
      - trigger: [beam, table]
      - wait_for_position: {axes: beam, within: 0.05 mm, for: 60 ms}
        timeout: 6 s
      - move: {beam: {by: -$stroke}}
        within: 0.1 mm
        for: 50 ms
  - move: {to: park}
    order: [table, [left, right]]
  - dwell: 250 ms
  - expect: {axis: left, position: 100 mm, within: 0.1 mm}
closing:
  - disable: all
"""


@pytest.fixture
def recipe(bench):
    return bench.recipe(ALL_VERBS)


def test_every_verb_has_its_class_in_the_order_of_the_file(recipe):
    assert [type(step) for step in recipe.steps] == [
        LinkCheckStep,
        ConfigureStep,
        EnableStep,
        HomeStep,
        HomeStep,
        RepeatStep,
        MoveStep,
        DwellStep,
        ExpectStep,
    ]
    assert [type(step) for step in recipe.steps[5].steps] == [PreloadStep, TriggerStep, WaitForPositionStep, MoveStep]
    assert [type(step) for step in recipe.closing] == [DisableStep]


def test_quantities_are_exact_and_stand_where_they_are_written(recipe):
    speed = recipe.steps[1].configure["beam"].speed
    assert speed.given == Quantity(Fraction(1, 10), "m/s")
    assert speed.given.to("mm/s") == 100
    assert speed.span == Span(str(recipe.path), 10, 31, 7)
    travel = recipe.axes["left"].scale.travel_per_output_rev
    assert travel.given == Quantity(Fraction(25), "mm")
    assert travel.span.file == str(recipe.path.parent / "machine.yaml")
    angle = recipe.steps[5].steps[0].preload.by_group["table"].to
    assert angle.given.to("deg") == 90  # a quarter of 360 deg


def test_parameters_are_put_in_by_the_recipe(recipe):
    load, back = recipe.steps[5].steps[0].preload.by_group["beam"].by, recipe.steps[5].steps[3].move.by_group["beam"].by
    assert load.given == ParameterRef("stroke")
    assert back.given == ParameterRef("stroke", negated=True)
    assert recipe.quantity(load) == Quantity(Fraction(60), "mm")
    assert recipe.quantity(back) == Quantity(Fraction(-60), "mm")
    assert recipe.quantity(recipe.steps[7].dwell) == Quantity(Fraction(250), "ms")
    assert recipe.parameter_texts == {"stroke": "60 mm"}


def test_what_stands_beside_the_verb_is_there(recipe):
    enable, wait, move = recipe.steps[2], recipe.steps[5].steps[2], recipe.steps[5].steps[3]
    assert (enable.label, enable.note, enable.enable) == ("Power", "the lift first", ("lift", "beam"))
    assert wait.timeout.given == Quantity(Fraction(6), "s")
    assert wait.wait_for_position.axes == ("beam",)
    assert wait.wait_for_position.settle.given == Quantity(Fraction(60), "ms")
    assert (move.within.given.value, move.settle.given.value) == (Fraction(1, 10), 50)
    assert recipe.steps[5].steps[0].arrive == "together"
    assert recipe.steps[6].move.position == "park"
    assert recipe.steps[6].order == (("table",), ("left", "right"))
    assert recipe.steps[5].repeat == 2


def test_a_step_stands_at_its_verb(recipe):
    assert recipe.steps[2].place == Span(str(recipe.path), 11, 5, len("enable"))
    assert recipe.steps[5].place == Span(str(recipe.path), 16, 5, len("repeat"))
    assert recipe.steps[5].repeat.span == Span(str(recipe.path), 16, 13, 1)
    assert recipe.axes["lift"].place.line == 8


def test_groups_become_axes_in_the_order_of_their_declaration(recipe):
    assert recipe.axes_of("all") == ("left", "right", "lift", "table")
    assert recipe.axes_of(("table", "beam")) == ("left", "right", "table")
    assert recipe.axes_of("lift") == ("lift",)
    assert recipe.pair_of("right") == "beam"
    assert recipe.pair_of("lift") is None


def test_like_takes_everything_but_the_node(recipe):
    left, right = recipe.axes["left"], recipe.axes["right"]
    assert (right.node, right.inverted, right.scale, right.noise) == (4, True, left.scale, left.noise)
    assert left.inverted is False


def test_the_edges_of_a_homing_are_told_by_axis(recipe):
    assert recipe.home_at("beam", "right").given == Quantity(Fraction(-9, 2), "mm")
    assert recipe.home_at("lift", "lift").given == Quantity(Fraction(410), "mm")
    assert recipe.homing_order == (("lift",), ("beam",))


def test_limits_are_by_axis(recipe):
    assert list(recipe.limits) == ["left", "right", "lift", "table"]
    assert recipe.limits["right"].speed.given == Quantity(Fraction(200), "mm/s")
    assert recipe.limits["left"].jerk is None
    assert recipe.unhomed["table"].distance.given == Quantity(Fraction(370), "deg")


def test_the_files_of_a_reading_are_named_with_their_hashes(recipe):
    folder = recipe.path.parent
    assert list(recipe.hashes) == [str(folder / "recipe.yaml"), str(folder / "machine.yaml")]
    assert all(len(value) == 64 for value in recipe.hashes.values())
    assert recipe.machine_path == folder / "machine.yaml"
    assert recipe.sources[str(recipe.path)][0] == "choreo: 1"


def test_nothing_can_be_changed(recipe):
    with pytest.raises(ValidationError):
        recipe.steps[7].dwell = None
    with pytest.raises(AttributeError):
        recipe.title = "other"


def test_a_recipe_may_hold_its_machine_itself(bench):
    own = bench.folder.joinpath("machine.yaml").read_text().replace("name: bench\n", "title: Alone\n")
    recipe = bench.recipe("steps:\n  - enable: all\n", head=own)
    assert (recipe.title, recipe.name, recipe.machine_path) == ("Alone", "Alone", None)
    assert recipe.limits["lift"].speed.given.value == 90


def test_a_dialect_file_is_found_from_the_file_that_names_it(bench):
    bench.write("parts/mine.yaml", "x: 1\n")
    bench.write("parts/machine.yaml", bench.folder.joinpath("machine.yaml").read_text())
    text = (
        (bench.folder / "parts/machine.yaml")
        .read_text()
        .replace("node: 7, dialect: short_frame", "node: 7, dialect: ./mine.yaml")
    )
    bench.write("parts/machine.yaml", text)
    recipe = bench.recipe("steps:\n  - enable: all\n", head="choreo: 1\ntitle: t\nmachine: parts/machine.yaml\n")
    assert recipe.dialect_files == {"./mine.yaml": bench.folder / "parts" / "mine.yaml"}
