"""How a recipe flows, written out: paths, values, named parts, questions; and sequences for the time after a stop."""

from fractions import Fraction

import pytest

from choreo.plan.after_stop import resolve_after_stop
from choreo.plan.flow import PATIENCE_NS
from choreo.plan.model import Anchor, Confirm, Disable, Left, Move, ResetFault, Scope
from plan.bench import OPENING

SEQUENCES = """\
sequences:
  touch:
    takes: [place]
    steps:
      - dwell: 100 ms
      - move: {carriage: {to: $place}}
  both:
    steps:
      - call: touch
        with: {place: 40 mm}
      - call: touch
        with: {place: 60 mm}
"""


def paths(steps):
    return [step.path for step in steps]


def targets(steps):
    return [step.action.groups[0][0].target for step in steps if isinstance(step.action, Move)]


def test_called_steps_have_paths_that_lead_to_them(bench):
    steps = bench.plan(SEQUENCES + OPENING + "  - call: both\n  - repeat: 2\n    steps:\n      - call: both\n").steps[
        6:
    ]
    assert paths(steps)[:4] == [
        "4 > both 1 > touch 1",
        "4 > both 1 > touch 2",
        "4 > both 2 > touch 1",
        "4 > both 2 > touch 2",
    ]
    assert paths(steps)[4:6] == ["5.1 > both 1 > touch 1 (1 of 2)", "5.1 > both 1 > touch 2 (1 of 2)"]
    assert targets(steps) == [40, 60] * 3


def test_each_value_has_its_own_move(bench):
    lines = "  - for_each: {place: [40 mm, $far]}\n    steps:\n      - move: {carriage: {to: $place}}\n"
    steps = bench.plan("parameters:\n  far: {value: 70 mm}\n" + OPENING + lines).steps[6:]
    assert paths(steps) == ["4.1 (place 40 mm)", "4.1 (place 70 mm)"]
    assert targets(steps) == [40, 70]
    assert len({step.source for step in steps}) == 2


@pytest.mark.parametrize(
    ("test", "far", "done"),
    [
        ("above: 50 mm", "60 mm", True),
        ("above: 50 mm", "50 mm", False),
        ("below: 0.06 m", "59 mm", True),
        ("below: 60 mm", "6 cm", False),
        ("is: 5 cm", "50 mm", True),
        ("is: 50 mm", "50.001 mm", False),
        ("above: 40 mm, below: 60 mm", "50 mm", True),
        ("above: 40 mm, below: 60 mm", "60 mm", False),
    ],
)
def test_what_is_not_so_is_left_out(bench, test, far, done):
    lines = f"  - when: {{value: $far, {test}}}\n    steps:\n      - dwell: 1 s\n  - dwell: 2 s\n"
    body = "parameters:\n  far: {value: 50 mm}\n" + OPENING + lines
    steps = bench.plan(body, overrides={"far": far}).steps[6:]
    assert paths(steps) == (["4.1", "5"] if done else ["5"])


def test_what_cannot_be_compared_is_found(bench):
    lines = "  - when: {value: 50 mm, above: 3 s}\n    steps:\n      - dwell: 1 s\n"
    assert bench.found(OPENING + lines) == [("unit", "3 s")]


def test_named_parts_know_their_steps_and_each_pass_is_one_of_its_own(bench):
    lines = (
        "  - repeat: 2\n    steps:\n      - record: outer\n        steps:\n          - dwell: 1 s\n"
        "          - record: inner\n            steps:\n"
        "              - call: touch\n                with: {place: 5 mm}\n"
    )
    steps = bench.plan(SEQUENCES + OPENING + lines).steps[6:]
    outer, inner = Scope("outer", "4.1 (1 of 2)"), Scope("inner", "4.1.2 (1 of 2)")
    assert [step.scopes for step in steps[:3]] == [(outer,), (outer, inner), (outer, inner)]
    assert steps[3].scopes == (Scope("outer", "4.1 (2 of 2)"),)
    assert paths(steps)[1] == "4.1.2.1 > touch 1 (1 of 2)"


def test_a_question_waits_ten_minutes_or_what_the_recipe_says_at_every_pace(bench):
    lines = (
        '  - confirm: "The shelf is on the fork"\n  - confirm: "And now"\n    timeout: 30 s\n'
        '  - reset_fault: {axes: carriage, confirm: "Freed"}\n'
    )
    steps = bench.steps(lines, pace=Fraction(1, 5))
    assert [step.timeout_ns for step in steps] == [PATIENCE_NS, 30_000_000_000, PATIENCE_NS]
    assert steps[0].action == Confirm("The shelf is on the fork")
    assert steps[0].predicted_ns == 0
    assert steps[2].action == ResetFault((2,), "Freed")


# ---- after a stop -----------------------------------------------------------------------------------------------

RETREAT = """\
sequences:
  clear:
    after_stop: true
    steps:
      - confirm: "Nobody is near"
      - call: out
  out:
    steps:
      - configure: {carriage: {speed: 50 mm/s, acceleration: 500 mm/s^2, jerk: 5000 mm/s^3}}
      - enable: carriage
      - move: {carriage: {by: -30 mm}}
"""
CLOSING = "closing:\n  - dwell: 1 s\n  - disable: all\n"


def retreat(bench, left, body=RETREAT):
    recipe = bench.recipe(body + OPENING + CLOSING)
    plan, findings = resolve_after_stop(recipe, "clear", left)
    return plan, [(finding.rule, finding.headline) for finding in findings]


def left(**given):
    """Everything at 100,000 counts without home or power, the carriage as given."""
    return [Left(axis, 100_000, home_valid=False, energised=False) for axis in (0, 1)] + [
        Left(2, **{"counts": 100_000, "home_valid": True, "energised": False} | given),
        *(Left(axis, 100_000, home_valid=False, energised=False) for axis in (3, 4)),
    ]


def test_a_retreat_goes_on_from_the_counts_that_were_left(bench):
    """100,000 counts at 8192/3 a millimetre (practice.md, the demo machine) are 36.62109375 mm."""
    plan, findings = retreat(bench, left())
    assert findings == []
    assert paths(plan.steps) == ["clear 1", "clear 2 > out 1", "clear 2 > out 2", "clear 2 > out 3"]
    (move,) = plan.steps[-1].action.groups[0]
    assert (move.anchor, move.start) == (Anchor.HOME, Fraction("36.62109375"))
    assert move.target == Fraction("6.62109375")
    assert plan.retreat == "clear"
    assert plan.title == "A test: clear"


def test_without_home_it_counts_from_where_it_was_found(bench):
    plan, _ = retreat(bench, left(home_valid=False))
    (move,) = plan.steps[-1].action.groups[0]
    assert (move.anchor, move.start, move.target) == (Anchor.START, 0, -30)


def test_of_closing_only_what_moves_nothing_is_done(bench):
    plan, _ = retreat(bench, left())
    assert paths(plan.closing) == ["closing 2"]
    assert isinstance(plan.closing[0].action, Disable)


def test_a_drive_in_fault_must_be_reset_before_it_is_used(bench):
    """practice.md P17 (common practice, no source): no fault is reset unasked."""
    _, findings = retreat(bench, left(fault=3))
    assert [rule for rule, _ in findings] == ["drive-in-fault"]
    assert "clear 2 > out 2" in findings[0][1]
    body = RETREAT.replace('- confirm: "Nobody is near"', '- reset_fault: {axes: carriage, confirm: "Freed"}')
    assert retreat(bench, left(fault=3), body)[1] == []


def test_passes_with_the_same_value_are_told_apart(bench):
    """Else the named parts of two passes would be one."""
    body = OPENING + (
        "  - for_each: {place: [40 mm, 60 mm, 40 mm]}\n    steps:\n"
        "      - record: touch\n        steps:\n          - move: {carriage: {to: $place}}\n"
    )
    steps = bench.plan(body).steps[-3:]
    ends = ["place 40 mm", "place 60 mm", "place 40 mm, time 2"]
    assert [step.path.partition("(")[2] for step in steps] == [f"{end})" for end in ends]
    assert len({step.scopes for step in steps}) == 3
