"""Sequences and calls, lists gone through, conditions, questions: what is read of them, and what is refused."""

import time
from fractions import Fraction
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from choreo.diagnostic import Refused
from choreo.recipe.filling import TwiceError, filled, weight
from choreo.recipe.flow_steps import CallStep, ConfirmStep, ForEachStep, RecordStep, ResetFaultStep, WhenStep
from choreo.text.tree import Branch, Items, Text
from choreo.units import Quantity

TOUCH = """\
sequences:
  touch:
    takes: [place, axis]
    steps:
      - move: {$axis: {to: $place}}
      - move: {$axis: {by: -$place}}
"""


def test_a_call_leads_to_the_steps_with_its_values_in_them(bench):
    recipe = bench.recipe(TOUCH + "steps:\n  - call: touch\n    with: {place: 40 mm, axis: lift}\n")
    (call,) = recipe.steps
    assert isinstance(call, CallStep)
    there, back = call.inside
    assert list(there.move.by_group) == ["lift"]
    assert there.move.by_group[Text("lift")].to.given == Quantity(Fraction(40), "mm")
    assert back.move.by_group[Text("lift")].by.given == Quantity(Fraction(-40), "mm")
    assert recipe.called == {"touch"}


def test_calls_with_the_same_values_share_their_steps_and_others_do_not(bench):
    given = "  - call: touch\n    with: {place: %s, axis: lift}\n"
    plain = "  - call: rest\n"
    body = TOUCH + "  rest: {steps: [{dwell: 1 s}]}\nsteps:\n" + given % "40 mm" + given % "50 mm" + plain + plain
    first, second, third, fourth = bench.recipe(body).steps
    assert first.inside[0].serial != second.inside[0].serial
    assert third.inside[0] is fourth.inside[0]


def test_a_value_may_be_a_parameter_and_counts_as_its_use(bench):
    body = (
        "parameters:\n  far: {value: 90 mm}\n"
        + TOUCH
        + "steps:\n  - call: touch\n    with: {place: $far, axis: lift}\n"
    )
    recipe = bench.recipe(body, {"far": "70 mm"})
    there, back = recipe.steps[0].inside
    assert recipe.quantity(there.move.by_group[Text("lift")].to) == Quantity(Fraction(70), "mm")
    assert recipe.quantity(back.move.by_group[Text("lift")].by) == Quantity(Fraction(-70), "mm")
    assert recipe.warnings == ()


def test_a_mistake_in_a_value_is_marked_where_the_value_stands(bench):
    body = TOUCH + "steps:\n  - call: touch\n    with: {place: 40 mm, axis: lfit}\n"
    assert bench.found(body) == [("unknown-axis", "lfit")]
    body = TOUCH + "steps:\n  - call: touch\n    with: {place: 40, axis: lift}\n"
    assert ("unit-missing", "40") in bench.found(body)


@pytest.mark.parametrize(
    ("step", "rule", "text"),
    [
        ("call: toch", "unknown-sequence", "toch"),
        ("call: touch", "missing-value", "touch"),
        ("{call: touch, with: {place: 1 mm}}", "missing-value", "touch"),
        ("{call: touch, with: {place: 1 mm, axis: lift, speed: 5 mm/s}}", "unknown-value", "speed"),
        ("{call: touch, with: {place: [1 mm], axis: lift}}", "wrong-type", "[1 mm]"),
        ("{call: rest, with: {place: 1 mm}}", "unknown-value", "place"),
        ("call: away", "after-stop-called", "away"),
        ("call: [rest]", "wrong-type", "[rest]"),
        ("{call: rest, steps: [{dwell: 1 s}]}", "unknown-key", "steps"),
        ("call: round", "calls-itself", "corner"),
    ],
)
def test_a_call_that_leads_nowhere_is_refused(bench, step, rule, text):
    body = TOUCH + (
        "  rest: {steps: [{dwell: 1 s}]}\n  away: {after_stop: true, steps: [{dwell: 1 s}]}\n"
        "  round: {steps: [{call: corner}]}\n  corner: {steps: [{call: round}]}\n"
    )
    if rule != "calls-itself":
        body = body.replace("{call: round}", "{dwell: 1 s}")
    found = bench.found(body + f"steps:\n  - {step}\n")
    assert (rule, text) in found or (rule == "calls-itself" and found[0][0] == rule)


def test_recursion_is_refused_with_its_chain(bench):
    body = (
        "sequences:\n  a: {steps: [{call: b}]}\n  b: {steps: [{call: c}]}\n  c: {steps: [{call: a}]}\n"
        "steps:\n  - call: a\n"
    )
    (finding,) = bench.refusal(body).findings
    assert finding.rule == "calls-itself"
    assert "a > b > c > a" in finding.headline


def test_the_near_miss_of_a_sequence_is_suggested(bench):
    (finding,) = bench.refusal("sequences:\n  touch: {steps: [{dwell: 1 s}]}\nsteps:\n  - call: tuoch\n").findings
    assert finding.help == "Did you mean `touch`?"


@pytest.mark.parametrize(
    ("sequences", "rule", "text"),
    [
        ("touch: []", "wrong-type", "touch"),
        ("touch: {}", "missing-key", "touch"),
        ("touch: {steps: []}", "empty-list", "steps"),
        ("touch: {stepz: [{dwell: 1 s}], steps: [{dwell: 1 s}]}", "unknown-key", "stepz"),
        ("touch: {after_stop: yes, steps: [{dwell: 1 s}]}", "wrong-type", "yes"),
        ("touch: {takes: [far], steps: [{dwell: 1 s}]}", "name-taken", "far"),
        ("touch: {takes: [all], steps: [{dwell: 1 s}]}", "bad-name", "all"),
        ("touch: {takes: [x, x], steps: [{dwell: 1 s}]}", "named-twice", "x"),
        ("touch: {after_stop: true, takes: [x], steps: [{dwell: 1 s}]}", "nobody-calls", "x"),
        ("2nd: {steps: [{dwell: 1 s}]}", "bad-name", "2nd"),
        ("touch: {steps: [{dwell: 1}]}", "unit-missing", "1"),
        ("touch: {steps: [{enable: lft}]}", "unknown-axis", "lft"),
    ],
)
def test_sequences_that_are_wrong(bench, sequences, rule, text):
    body = f"parameters:\n  far: {{value: 1 s}}\nsequences:\n  {sequences}\nsteps:\n  - dwell: $far\n"
    assert (rule, text) in bench.found(body)


def test_for_each_reads_its_steps_once_a_value(bench):
    recipe = bench.recipe("steps:\n  - for_each: {axis: [lift, beam]}\n    steps:\n      - home: $axis\n")
    (each,) = recipe.steps
    assert isinstance(each, ForEachStep)
    assert each.value == ("axis", ("lift", "beam"))
    assert [step.home for step in each.inside] == [("lift",), ("beam",)]
    assert [step.place for step in each.inside] == [each.inside[0].place] * 2
    assert len({step.serial for step in each.inside}) == 2


@pytest.mark.parametrize(
    ("step", "rule", "text"),
    [
        ("{for_each: {}, steps: [{dwell: 1 s}]}", "empty-mapping", "for_each"),
        ("{for_each: [1 s], steps: [{dwell: 1 s}]}", "wrong-type", "[1 s]"),
        ("{for_each: {t: 1 s}, steps: [{dwell: $t}]}", "wrong-type", "1 s"),
        ("{for_each: {t: []}, steps: [{dwell: $t}]}", "empty-list", "[]"),
        ("{for_each: {t: [[1 s]]}, steps: [{dwell: $t}]}", "wrong-type", "[[1 s]]"),
        ("{for_each: {t: [1 s], u: [2 s]}, steps: [{dwell: $t}]}", "two-lists", "u"),
        ("{for_each: {t: [1 s]}}", "missing-key", "for_each"),
        ("{for_each: {to: [1 s]}, steps: [{dwell: $to}]}", "bad-name", "to"),
        ("{for_each: {t: [1 s, 5 mm]}, steps: [{dwell: $t}]}", "wrong-dimension", "5 mm"),
        ("{for_each: {t: [1 s]}, steps: [{dwell: $u}]}", "unknown-parameter", "$u"),
        ("{for_each: {a: [lift]}, steps: [{move: {$a: {by: 1 mm}, lift: {by: 2 mm}}}]}", "named-twice", "lift"),
        ("{when: {value: 1 s}, steps: [{dwell: 1 s}]}", "missing-key", "when"),
        ("{when: {is: 1 s}, steps: [{dwell: 1 s}]}", "missing-key", "when"),
        ("{when: {value: 1 s, over: 2 s}, steps: [{dwell: 1 s}]}", "unknown-key", "over"),
        ("{when: {value: 1 s, is: 1 s}}", "missing-key", "when"),
        ("{record: x}", "missing-key", "record"),
        ("{record: , steps: [{dwell: 1 s}]}", "missing-value", "record"),
        ("{record: x, timeout: 3 s, steps: [{dwell: 1 s}]}", "timeout-of-several", "3 s"),
        ("confirm:", "missing-value", "confirm"),
        ("confirm: [x]", "wrong-type", "[x]"),
        ("reset_fault: lift", "wrong-type", "lift"),
        ("reset_fault: {axes: lift}", "missing-key", "reset_fault"),
        ("reset_fault: {axes: lfit, confirm: It is free}", "unknown-axis", "lfit"),
        ("{dwell: 1 s, steps: [{dwell: 1 s}]}", "unknown-key", "steps"),
    ],
)
def test_steps_of_flow_that_are_none(bench, step, rule, text):
    assert (rule, text) in bench.step_found(step)


def test_the_same_mistake_in_every_pass_is_said_once(bench):
    found = bench.step_found("{for_each: {t: [1 s, 2 s, 3 s]}, steps: [{dwell: 5}, {dwell: $t}]}")
    assert found == [("unit-missing", "5")]


def test_the_others_are_read_as_written(bench):
    recipe = bench.recipe(
        "parameters:\n  far: {value: 90 mm}\nsteps:\n"
        '  - confirm: "The shelf is on the fork"\n    timeout: 30 s\n'
        '  - reset_fault: {axes: [lift, table], confirm: "Freed"}\n'
        "  - record: along\n    steps:\n      - dwell: 1 s\n"
        "  - when: {value: $far, above: 50 mm, below: 1 m}\n    steps:\n      - dwell: 2 s\n"
    )
    asked, reset, record, when = recipe.steps
    assert isinstance(asked, ConfirmStep)
    assert asked.confirm == "The shelf is on the fork"
    assert isinstance(reset, ResetFaultStep)
    assert reset.reset_fault.axes == ("lift", "table")
    assert isinstance(record, RecordStep)
    assert record.record == "along"
    assert [step.dwell.text for step in record.inside] == ["1 s"]
    assert isinstance(when, WhenStep)
    assert when.when.equals is None
    assert when.when.above.given == Quantity(Fraction(50), "mm")


def test_calls_that_multiply_are_counted_before_they_are_written_out(bench):
    """Fourteen sequences that each call the next ten times: 10^14 steps."""
    levels = "".join(f"  s{level}:\n    steps:\n" + f"      - call: s{level + 1}\n" * 10 for level in range(14))
    body = f"sequences:\n{levels}  s14: {{steps: [{{dwell: 1 s}}]}}\nsteps:\n  - call: s0\n"
    assert "too-many-steps" in [rule for rule, _ in bench.found(body)]


def test_calls_too_deep_are_refused(bench):
    levels = "".join(f"  s{level}: {{steps: [{{call: s{level + 1}}}]}}\n" for level in range(40))
    body = f"sequences:\n{levels}  s40: {{steps: [{{dwell: 1 s}}]}}\nsteps:\n  - call: s0\n"
    assert "calls-too-deep" in [rule for rule, _ in bench.found(body)]


def test_values_that_multiply_end_the_reading(bench):
    """Lists inside of lists: 400^3 passes."""
    values = ", ".join(f"{number} s" for number in range(400))
    inner = "{dwell: $a}"
    for name in "abc":
        inner = f"{{for_each: {{{name}: [{values}]}}, steps: [{inner}]}}"
    began = time.process_time()
    found = bench.found(f"steps:\n  - {inner}\n")
    assert "too-many-steps" in [rule for rule, _ in found]
    assert time.process_time() - began < 120


TEXTS = st.text("ab$-x1 ", min_size=1, max_size=5).map(Text)


def placed(tree):
    if isinstance(tree, dict):
        made = Branch({placed(key): placed(value) for key, value in tree.items()})
    elif isinstance(tree, list):
        made = Items(placed(item) for item in tree)
    else:
        made, made.plain = Text(tree), True
    made.file, made.line, made.column, made.length = "f", 1, 1, 1
    return made


TREES = st.recursive(
    TEXTS, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(TEXTS, inner, max_size=3), max_leaves=8
)


@given(TREES)
def test_filling_changes_what_names_a_value_and_nothing_else(tree):
    """`$x` becomes the value, `-$x` its opposite; without any, the very same objects come back."""
    tree, value = placed(tree), placed("5 mm")
    try:
        made = filled(tree, {"x": value})
    except TwiceError as twice:
        doubled = twice.key
    else:
        doubled = None
    if doubled is not None:
        assert doubled in ("5 mm", "-5 mm")
        return
    names = {"$x", "-$x"}
    assert (made is tree) == (not names & set(texts(tree)))
    assert [{"$x": "5 mm", "-$x": "-5 mm"}.get(text, text) for text in texts(tree)] == list(texts(made))
    assert weight(made) == weight(tree)


def texts(tree):
    if isinstance(tree, Text):
        yield str(tree)
    elif isinstance(tree, Branch):
        for key, value in tree.items():
            yield str(key)
            yield from texts(value)
    else:
        for item in tree:
            yield from texts(item)


@pytest.mark.parametrize(
    ("value", "opposite"), [("5 mm", "-5 mm"), ("-5 mm", "5 mm"), ("+5 mm", "-5 mm"), ("-$far", "$far")]
)
def test_the_opposite_of_a_value(value, opposite):
    assert filled(placed("-$x"), {"x": placed(value)}) == opposite


WHOLE = """\
parameters:
  far: {value: 90 mm}
sequences:
  touch:
    after_stop: false
    takes: [place]
    note: Touches
    steps:
      - move: {lift: {to: $place}}
  rest:
    steps:
      - dwell: 1 s
steps:
  - call: touch
    with:
      place: $far
  - for_each:
      each: [1 s, 2 s]
    steps:
      - dwell: $each
  - when:
      value: $far
      is: 90 mm
      above: 5 mm
      below: 1 m
    steps:
      - call: rest
  - record: along
    steps:
      - dwell: 1 s
  - confirm: Look
  - reset_fault:
      axes: lift
      confirm: Freed
"""
SHAPES = ["", "x", "[]", "{}", "[x]", "{x: y}", "[[x]]", "{x: {y: z}}", "[{x: y}]", "5", "5 mm", "$far", "$place", "''"]
LINES = [number for number, line in enumerate(WHOLE.splitlines()) if ":" in line]


@pytest.mark.parametrize("number", LINES, ids=lambda number: WHOLE.splitlines()[number].strip())
def test_any_shape_at_any_key_is_read_or_refused(bench, number):
    lines = WHOLE.splitlines()
    head = lines[number][: lines[number].index(":") + 1]
    indent = len(head) - len(head.lstrip(" -"))
    end = next(
        (
            later
            for later in range(number + 1, len(lines))
            if len(lines[later]) - len(lines[later].lstrip(" ")) < indent
        ),
        len(lines),
    )
    for shape in SHAPES:
        body = "\n".join((*lines[:number], f"{head} {shape}", *lines[end:])) + "\n"
        for finding in refused(bench, body):
            assert finding.headline
            assert "Error" not in finding.headline


def refused(bench, body):
    """What a recipe is refused for; nothing if it is not. Anything else that is raised fails the test."""
    try:
        bench.recipe(body)
    except Refused as refusal:
        return refusal.findings
    return ()


@pytest.mark.parametrize(
    "steps",
    [
        "{for_each: {x: [1 s, 2 s]}, steps: [{for_each: {x: [3 s]}, steps: [{dwell: $x}]}]}",
        "{for_each: {x: [1 s]}, steps: [{repeat: 2, steps: [{for_each: {x: [3 s]}, steps: [{dwell: $x}]}]}]}",
        "{call: wait, with: {x: 1 s}}",
    ],
)
def test_a_value_cannot_have_the_name_of_one_around_it(bench, steps):
    """The outer value would be put in everywhere, and the inner list gone through without effect."""
    body = (
        "sequences:\n  wait: {takes: [x], steps: [{for_each: {x: [3 s]}, steps: [{dwell: $x}]}]}\n"
        if "call" in steps
        else ""
    )
    assert bench.found(body + f"steps:\n  - {steps}\n") == [("name-taken", "x")]


def test_names_of_values_may_come_again_beside_each_other_and_in_what_is_called(bench):
    body = (
        "sequences:\n  wait: {steps: [{for_each: {x: [3 s]}, steps: [{dwell: $x}]}]}\n"
        "steps:\n  - {for_each: {x: [1 s]}, steps: [{call: wait}, {dwell: $x}]}\n"
        "  - {for_each: {x: [2 s]}, steps: [{dwell: $x}]}\n"
    )
    first, second = bench.recipe(body).steps
    call, dwell = first.inside
    (inner,) = call.inside
    assert [str(step.dwell.text) for step in (*inner.inside, dwell, *second.inside)] == ["3 s", "1 s", "2 s"]


def _nested(step: str, deep: int) -> str:
    return step if not deep else f"{{repeat: 1, steps: [{_nested(step, deep - 1)}]}}"


@pytest.mark.parametrize("first", [True, False])
def test_calls_and_repeats_inside_of_each_other_have_an_end(bench, first):
    """Also where each sequence was read before, called from the innermost outwards, and is not deep by itself."""
    names = [f"s{number}" for number in range(40)]
    sequences = "".join(
        f"  {name}: {{steps: [{_nested('{call: ' + inner + '}', 20)}]}}\n" for name, inner in pairwise(names)
    )
    called = names[:1] if first else reversed(names)
    body = f"sequences:\n{sequences}  {names[-1]}: {{steps: [{{dwell: 1 s}}]}}\nsteps:\n"
    findings = bench.refusal(body + "".join(f"  - call: {name}\n" for name in called)).findings
    assert [finding.rule for finding in findings] == ["nested-too-deep"]


def test_what_comes_to_too_many_steps_is_said_once(bench):
    sequences = "".join(
        f"  s{number}: {{steps: [{', '.join([f'{{call: s{number + 1}}}'] * 9)}]}}\n" for number in range(12)
    )
    body = f"sequences:\n{sequences}  s12: {{steps: [{{dwell: 1 s}}]}}\nsteps:\n  - call: s0\n"
    (finding,) = bench.refusal(body).findings
    assert finding.rule == "too-many-steps"
    assert str(9**12) in finding.headline
