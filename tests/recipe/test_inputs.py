"""Inputs, outputs, interlocks and what is required: as they are read, and as a recipe may add to its machine file."""

import pytest

from choreo.recipe.input_steps import MoveUntilStep, SetOutputStep, WaitForStep

INPUTS = """\
inputs:
  guard_closed: {axis: lift, input: 3, active: low, debounce: 20 ms}
  probe: {axis: table, input: input_1}
outputs:
  clamp: {axis: left, output: 2}
"""
STEPS = "steps:\n  - enable: all\n"


def test_an_input_is_read_with_its_axis_its_bit_and_its_debounce(bench):
    recipe = bench.recipe(INPUTS + "interlocks: [guard_closed]\nrequires: {inputs: {probe: off}}\n" + STEPS)
    guard, probe = recipe.inputs["guard_closed"], recipe.inputs["probe"]
    assert (guard.axis, guard.input, guard.active, guard.debounce.text) == ("lift", "3", "low", "20 ms")
    assert (probe.active, probe.debounce) == ("high", None)
    assert (recipe.outputs["clamp"].axis, recipe.outputs["clamp"].output) == ("left", 2)
    assert recipe.interlocks == ("guard_closed",)
    assert recipe.required == {"probe": "off"}


def test_one_interlock_needs_no_list(bench):
    assert bench.recipe(INPUTS + "interlocks: guard_closed\n" + STEPS).interlocks == ("guard_closed",)


def test_the_steps_are_read(bench):
    steps = bench.recipe(
        INPUTS + "steps:\n"
        "  - wait_for: {input: guard_closed, is: on}\n"
        "    timeout: 30 s\n"
        "  - move_until: {table: {by: -40 deg, speed: 5 deg/s}, until: {input: probe, is: off}, "
        "between: [-1 deg, 2 deg]}\n"
        "    label: feel\n"
        "  - set_output: {clamp: off}\n"
    ).steps
    wait, until, output = steps
    assert isinstance(wait, WaitForStep)
    assert (wait.wait_for.input, wait.wait_for.level, wait.timeout.text) == ("guard_closed", "on", "30 s")
    assert isinstance(until, MoveUntilStep)
    ((name, way),) = until.move_until.by_group.items()
    assert (name, way.by.text, way.speed.text, way.to) == ("table", "-40 deg", "5 deg/s", None)
    assert (until.move_until.until.input, until.move_until.until.level) == ("probe", "off")
    assert [end.text for end in until.move_until.between] == ["-1 deg", "2 deg"]
    assert isinstance(output, SetOutputStep)
    assert output.set_output == {"clamp": "off"}


@pytest.mark.parametrize(
    ("body", "found"),
    [
        ("inputs: {probe: {axis: lfit, input: 1}}\n", [("unknown-axis", "lfit")]),
        ("inputs: {probe: {axis: beam, input: 1}}\n", [("unknown-axis", "beam")]),
        ("inputs: {probe: {axis: lift}}\n", [("missing-key", "probe")]),
        ("inputs: {probe: {axis: lift, input: 1, active: up}}\n", [("unknown-word", "up")]),
        ("inputs: {probe: {axis: lift, input: 1, debounce: 20}}\n", [("unit-missing", "20")]),
        ("inputs: {until: {axis: lift, input: 1}}\n", [("bad-name", "until")]),
        ("inputs: {a-b: {axis: lift, input: 1}}\n", [("bad-name", "a-b")]),
        ("outputs: {clamp: {axis: lift, output: -1}}\n", [("out-of-range", "-1")]),
        (INPUTS + "interlocks: [gaurd_closed]\n", [("unknown-input", "gaurd_closed")]),
        (INPUTS + "interlocks: [probe, probe]\n", [("named-twice", "probe")]),
        (INPUTS + "interlocks: {probe: on}\n", [("wrong-type", "{probe: on}")]),
        (INPUTS + "interlocks: []\n", [("empty-list", "[]")]),
        (INPUTS + "requires: {inputs: {prob: on}}\n", [("unknown-input", "prob")]),
        (INPUTS + "requires: {inputs: {probe: yes}}\n", [("unknown-word", "yes")]),
        (INPUTS + "interlocks: [probe]\nrequires: {inputs: {probe: off}}\n", [("interlock-off", "probe")]),
    ],
)
def test_what_is_declared_and_does_not_fit_is_found(bench, body, found):
    assert bench.found(body + STEPS) == found


@pytest.mark.parametrize(
    ("step", "found"),
    [
        ("wait_for: {input: prbe, is: on}", [("unknown-input", "prbe")]),
        ("wait_for: {input: probe}", [("missing-key", "wait_for")]),
        ("wait_for: {input: probe, is: high}", [("unknown-word", "high")]),
        ("set_output: {clmap: on}", [("unknown-output", "clmap")]),
        ("set_output: {}", [("empty-mapping", "set_output")]),
        ("set_output: clamp", [("wrong-type", "clamp")]),
        ("move_until: {table: {by: 4 deg}}", [("missing-key", "move_until")]),
        ("move_until: {until: {input: probe, is: on}}", [("one-group", "move_until")]),
        ("move_until: {table: {}, until: {input: probe, is: on}}", [("missing-key", "table")]),
        ("move_until: {table: 4 deg, until: {input: probe, is: on}}", [("wrong-type", "4 deg")]),
        (
            "move_until: {table: {by: 4 deg}, lift: {by: 4 mm}, until: {input: probe, is: on}}",
            [("one-group", "lift")],
        ),
        (
            "move_until: {table: {by: 4 deg, to: 4 deg}, until: {input: probe, is: on}}",
            [("to-and-by", "4 deg")],
        ),
        ("move_until: {all: {by: 4 mm}, until: {input: probe, is: on}}", [("unknown-axis", "all")]),
        ("move_until: {table: {by: 4 deg}, until: {input: probe, is: on}, between: [4 deg]}", None),
    ],
)
def test_what_a_step_names_must_be_there(bench, step, found):
    got = bench.found(INPUTS + "steps:\n  - " + step + "\n")
    assert got if found is None else got == found


def test_near_misses_are_suggested(bench):
    refusal = bench.refusal(INPUTS + "steps:\n  - wait_for: {input: prob, is: on}\n")
    assert refusal.findings[0].help == "Did you mean `probe`?"
    refusal = bench.refusal("steps:\n  - wait_for: {input: probe, is: on}\n")
    assert refusal.findings[0].help == "Declare it under `inputs:`."


# ---- two files -----------------------------------------------------------------------------------------------------


def on_the_machine(bench, more=""):
    text = (bench.folder / "machine.yaml").read_text(encoding="utf-8")
    bench.write("machine.yaml", text + INPUTS + more)


def test_a_recipe_adds_to_the_inputs_of_its_machine_file(bench):
    on_the_machine(bench, "interlocks: [guard_closed]\nrequires: {inputs: {guard_closed: on}}\n")
    recipe = bench.recipe(
        "inputs: {more: {axis: left, input: 2}}\ninterlocks: [more]\nrequires: {inputs: {probe: off}}\n" + STEPS
    )
    assert list(recipe.inputs) == ["guard_closed", "probe", "more"]
    assert recipe.interlocks == ("guard_closed", "more")
    assert recipe.required == {"guard_closed": "on", "probe": "off"}


def test_no_recipe_takes_an_interlock_away(bench):
    on_the_machine(bench, "interlocks: [guard_closed]\n")
    assert bench.recipe(STEPS).interlocks == ("guard_closed",)
    assert bench.recipe("interlocks: [probe, guard_closed]\n" + STEPS).interlocks == ("guard_closed", "probe")


@pytest.mark.parametrize(
    ("body", "rule"),
    [
        ("inputs: {guard_closed: {active: high}}\n", "changes-the-machine"),
        ("inputs: {guard_closed: {input: 4}}\n", "changes-the-machine"),
        ("inputs: {guard_closed: {debounce: 500 ms}}\n", "machine-widened"),
        ("outputs: {clamp: {output: 3}}\n", "changes-the-machine"),
        ("requires: {inputs: {guard_closed: off}}\n", "changes-the-machine"),
    ],
)
def test_what_the_machine_file_says_of_an_input_is_not_changed(bench, body, rule):
    on_the_machine(bench, "requires: {inputs: {guard_closed: on}}\n")
    assert [found for found, _ in bench.found(body + STEPS)] == [rule]
