"""Inputs and outputs in a plan: bits, what reading them costs the bus, ways that an input may end anywhere."""

import tempfile
from fractions import Fraction as F
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from choreo.plan.budget import budget
from choreo.plan.inputs import polled
from choreo.plan.model import Anchor, MoveUntil, SetOutput, WaitFor
from choreo.wire.described import shipped
from choreo.wire.lengths import longest_bits
from plan.bench import CONFIGURE, OPENING, OPENING_STEPS, Bench

MS = 1_000_000
INPUTS = """\
inputs:
  guard: {axis: lift, input: 3, active: low, debounce: 20 ms}
  probe: {axis: carriage, input: input_1}
  rail: {axis: left, input: home_switch}
outputs:
  clamp: {axis: carriage, output: 2}
  lamp: {axis: carriage, output: 1}
"""
UNTIL = "until: {input: probe, is: on}"


def steps(bench, lines):
    return bench.plan(INPUTS + OPENING + lines).steps[OPENING_STEPS:]


def test_a_number_stands_for_the_bit_of_that_name(bench):
    plan = bench.plan(INPUTS + OPENING)
    assert [(one.name, one.axis, one.bit, one.active_high, one.debounce_ns) for one in plan.inputs] == [
        ("guard", 3, "input_3", False, 20 * MS),
        ("probe", 2, "input_1", True, 0),
        ("rail", 0, "home_switch", True, 0),
    ]
    assert [(one.name, one.axis, one.number) for one in plan.outputs] == [("clamp", 2, 2), ("lamp", 2, 1)]
    assert [limits.outputs for limits in plan.node_limits] == [(), (), (1, 2), (), ()]


def test_demands_are_by_index(bench):
    plan = bench.plan(INPUTS + "interlocks: [rail, guard]\nrequires: {inputs: {probe: off}}\n" + OPENING)
    assert plan.demands.interlocks == (2, 0)
    assert plan.demands.required == ((1, False),)


def test_reading_inputs_is_counted_on_the_bus(bench):
    """A request of one byte and a reply of two each, 50 times a second, with their stuff bits (facts.md A4)."""
    dialect = shipped("short_frame")
    bare = budget([dialect] * 5, 500_000, 20 * MS)
    read = budget([dialect] * 5, 500_000, 20 * MS, [dialect] * 3)
    assert read.bits_per_second - bare.bits_per_second == 3 * 50 * (longest_bits(1) + longest_bits(2))
    assert read.round_ns == bare.round_ns  # eight exchanges are two windows of four, as five are
    plan = bench.plan(INPUTS + OPENING)
    dialects = [plan.dialects[axis.dialect] for axis in plan.axes]
    assert len(polled(plan.inputs, dialects)) == 3  # one an axis, however many inputs it has
    more = (*plan.inputs, plan.inputs[0])
    assert len(polled(more, dialects)) == 3


def test_what_is_read_besides_makes_replies_later_at_the_worst():
    """One frame more that may be in the way (facts.md A12)."""
    dialect = shipped("short_frame")
    bare = budget([dialect], 500_000, 20 * MS)
    read = budget([dialect], 500_000, 20 * MS, [dialect])
    assert read.worst_response_ns > bare.worst_response_ns


def test_waiting_and_switching(bench):
    wait, output = steps(
        bench, "  - wait_for: {input: guard, is: off}\n    timeout: 30 s\n  - set_output: {lamp: on, clamp: off}\n"
    )
    assert wait.action == WaitFor(0, False)
    assert wait.timeout_ns == 30_000 * MS
    assert wait.label == "wait for guard off"
    assert output.action == SetOutput(((1, True), (0, False)))
    assert output.label == "set lamp on, clamp off"


def test_no_pace_makes_a_person_slower(bench):
    body = INPUTS + OPENING + "  - wait_for: {input: guard, is: on}\n    timeout: 30 s\n"
    assert bench.plan(body, pace=F(1, 2)).steps[-1].timeout_ns == 30_000 * MS


def test_an_input_may_end_a_move_anywhere_on_its_way(bench):
    (step,) = steps(bench, f"  - move_until: {{carriage: {{to: 400 mm, speed: 20 mm/s}}, {UNTIL}}}\n")
    action = step.action
    assert isinstance(action, MoveUntil)
    (move,) = action.moves
    assert (action.input, action.on, action.between) == (1, True, None)
    assert (move.anchor, move.start, move.target, move.loose) == (Anchor.HOME, 2, 400, False)
    assert action.leaves == ((-398, 0),)
    assert step.label == "move carriage until probe on"


def test_a_by_that_follows_is_as_uncertain_and_a_to_ends_it(bench):
    until, by, to, after = steps(
        bench,
        f"  - move_until: {{carriage: {{to: 400 mm, speed: 20 mm/s}}, {UNTIL}}}\n"
        "  - move: {carriage: {by: -10 mm}}\n"
        "  - move: {carriage: {to: 100 mm}}\n"
        "  - move: {carriage: {by: 5 mm}}\n",
    )
    ((back,),) = by.action.groups
    assert (back.start, back.target) == (400, 390)
    assert back.start_spread == back.target_spread == (-398, 0)
    assert back.profile.distance == -10
    ((sure,),) = to.action.groups
    assert (sure.start, sure.target, sure.start_spread, sure.target_spread) == (390, 100, (-398, 0), (0, 0))
    assert sure.profile.distance == -290  # from 390, or from -8: the longest way that it may be
    ((exact,),) = after.action.groups
    assert (exact.start, exact.target, exact.loose) == (100, 105, False)
    assert until.timeout_ns > until.predicted_ns


def test_homing_makes_a_place_certain(bench):
    moves = steps(
        bench,
        f"  - move_until: {{carriage: {{to: 400 mm, speed: 20 mm/s}}, {UNTIL}}}\n"
        "  - home: carriage\n  - move: {carriage: {by: 5 mm}}\n",
    )
    ((move,),) = moves[-1].action.groups
    assert (move.start, move.loose) == (2, False)


def test_both_sides_of_a_pair_go_alike(bench):
    until, back = steps(
        bench,
        "  - move_until: {beam: {by: 300 mm, speed: 40 mm/s}, until: {input: rail, is: on}}\n"
        "  - move: {beam: {by: -10 mm}}\n",
    )
    left, right = until.action.moves
    assert (left.target, left.speed, left.profile) == (right.target, right.speed, right.profile)
    assert until.action.leaves[0] == until.action.leaves[1] == (-300, 0)
    one, two = back.action.groups[0]
    assert one.target_spread == two.target_spread


def test_a_stop_that_is_less_steep_than_the_move_overruns_its_end(bench):
    """
    facts.md E: a trapezoid needs v^2 / 2a to stop. 100 mm/s at 200 mm/s^2 is 25 mm, at 800 mm/s^2 6.25 mm; that is
    18.75 mm more.
    """
    path = bench.folder / "soft.yaml"
    from choreo.wire.described import shipped_file

    text = shipped_file("short_frame").read_text(encoding="utf-8").replace("name: short_frame", "name: soft")
    text = text.replace("stop: {ramp: acceleration}", "stop: {ramp: quick_stop}")
    path.write_text(text.replace("profile: jerk_limited", "profile: trapezoid"), encoding="utf-8")
    bench.machine("carriage: {node: 13, dialect: short_frame", "carriage: {node: 13, dialect: ./soft.yaml")
    until = steps(
        bench,
        "  - configure: {carriage: {acceleration: 800 mm/s^2, quick_stop: 200 mm/s^2}}\n"
        f"  - move_until: {{carriage: {{to: 400 mm, speed: 100 mm/s}}, {UNTIL}}}\n"
        f"  - move_until: {{carriage: {{to: 100 mm, speed: 100 mm/s}}, {UNTIL}}}\n",
    )[1:]
    (low, high), (low_back, high_back) = until[0].action.leaves[0], until[1].action.leaves[0]
    assert low == -398
    assert float(high) == pytest.approx(18.75, rel=0.01)  # speeds and ramps are rounded to raw values
    # It sets off anywhere from 2 mm to 418.75 mm, so it may be on its way to 100 mm from either side.
    assert low_back == -98
    assert float(high_back) == pytest.approx(318.75, rel=0.01)
    (there,) = steps(
        bench,
        "  - configure: {carriage: {acceleration: 800 mm/s^2, quick_stop: 200 mm/s^2}}\n"
        "  - move: {carriage: {to: 900 mm}}\n"
        f"  - move_until: {{carriage: {{to: 400 mm, speed: 100 mm/s}}, {UNTIL}}}\n",
    )[2:]
    assert float(there.action.leaves[0][0]) == pytest.approx(-18.75, rel=0.01)
    assert there.action.leaves[0][1] == 500


def test_between_is_a_range(bench):
    body = INPUTS + OPENING
    (step,) = steps(bench, f"  - move_until: {{carriage: {{to: 400 mm}}, {UNTIL}, between: [1 cm, 0.2 m]}}\n")
    assert step.action.between == (10, 200)
    wrong = f"  - move_until: {{carriage: {{to: 400 mm}}, {UNTIL}, between: [20 mm, 10 mm]}}\n"
    assert bench.found(body + wrong) == [("empty-range", "10 mm")]
    wrong = f"  - move_until: {{carriage: {{to: 400 mm}}, {UNTIL}, between: [20 deg, 30 deg]}}\n"
    assert [rule for rule, _ in bench.found(body + wrong)] == ["unit", "unit"]


ONE = st.tuples(st.sampled_from(("until_to", "until_by", "by", "to")), st.integers(-300, 300), st.fractions(0, 1))


@settings(max_examples=30, deadline=None)
@given(way=st.lists(ONE, min_size=1, max_size=8))
def test_wherever_inputs_end_moves_the_axis_is_within_the_bounds_of_the_plan(way):
    """
    The same walk with real endings: a `move_until` ends at a drawn part of its way. The real place after each step must
    lie within the planned target and its spread.
    """
    with tempfile.TemporaryDirectory() as folder:
        bench = Bench(Path(folder))
        lines = []
        for kind, distance, _ in way:
            goes = f"to: {600 + distance} mm" if kind.endswith("to") else f"by: {distance} mm"
            if kind.startswith("until"):
                lines.append(f"  - move_until: {{carriage: {{{goes}}}, {UNTIL}}}\n")
            else:
                lines.append(f"  - move: {{carriage: {{{goes}}}}}\n")
        planned = bench.plan(f"{INPUTS}steps:\n{CONFIGURE}  - enable: all\n  - home: all\n{''.join(lines)}").steps[6:]
    real = F(2)  # where homing leaves it
    for (kind, distance, part), step in zip(way, planned, strict=True):
        move = step.action.moves[0] if isinstance(step.action, MoveUntil) else step.action.groups[0][0]
        assert move.start + move.start_spread[0] <= real <= move.start + move.start_spread[1]
        end = F(600 + distance) if kind.endswith("to") else real + distance
        assert abs(end - real) <= abs(F(move.profile.distance)) + F(1, 1000)
        if kind.startswith("until"):
            real += (end - real) * part
            low, high = step.action.leaves[0]
        else:
            real = end
            low, high = move.target_spread
        assert move.target + low <= real <= move.target + high
