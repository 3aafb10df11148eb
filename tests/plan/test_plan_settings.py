"""
Settings of dialects that round up or to the nearest: none is written that means more than the limit of its axis.

By hand from the demo machine's 4915.2 counts/mm of the beam (practice.md).
"""

import pytest

from choreo.run.guard import Guard, GuardRefusal
from choreo.wire.described import shipped_file
from choreo.wire.words import Setting

WINDOW = "{number: 5, unit: 16 counts,        from: 1, to: 65535, rounding: down}"
LEFT, RIGHT, LIFT = 0, 1, 3
#: 3 mm of the beam are 14,745.6 counts.
BEAM = "left: {node: 11, dialect: short_frame"
LIFT_AXIS = "lift: {node: 14, dialect: short_frame"


def dialect(bench, name, scale, old=WINDOW):
    text = shipped_file("short_frame").read_text("utf-8")
    assert text.count(old) == 1
    bench.write(f"{name}.yaml", text.replace(old, scale).replace("name: short_frame", f"name: {name}"))


def speaks(bench, axis, name):
    bench.machine(axis, axis.replace("short_frame", f"./{name}.yaml"))


def configured(bench, settings):
    plan = bench.plan(f"steps:\n  - configure: {{{settings}}}\n")
    (action,) = (step.action for step in plan.steps)
    return plan, dict(action.values)


def let_out(plan, axis, setting, raw):
    """Whether the guard lets the value out."""
    its, limits = plan.axes[axis], plan.node_limits[axis]
    spoken = plan.dialects[its.dialect]
    guard = Guard(plan.dialects, [(limits, its.dialect)])
    try:
        guard.check(spoken.encode("write_setting", its.node, number=spoken.numbers[setting], value=raw))
    except GuardRefusal:
        return False
    return True


@pytest.mark.parametrize(
    ("scale", "wish", "raw"),
    [
        # 14,745.6 counts are 3686.4 steps of 4: up they are 3687, which mean 14,748 counts, more than the limit.
        ("{number: 5, unit: 4 counts, from: 1, to: 65535, rounding: up}", "3 mm", 3686),
        # 14,745.6 counts are 1474.56 steps of 10.
        ("{number: 5, unit: 10 counts, from: 1, to: 65535, rounding: nearest}", "3 mm", 1474),
        # Below the limit it is rounded as the dialect says: 2.9995 mm are 14,743.1424 counts.
        ("{number: 5, unit: 10 counts, from: 1, to: 65535, rounding: nearest}", "2.9995 mm", 1474),
        ("{number: 5, unit: 4 counts, from: 1, to: 65535, rounding: up}", "2 mm", 2458),  # of 9830.4 counts
        # The largest of a table: 14,000 counts, for 16,000 mean too much.
        ("{number: 5, table: {7: 9000 counts, 8: 14000 counts, 9: 16000 counts}, rounding: up}", "3 mm", 8),
        # Where the unit falls the larger code means less: 60,000,000 / 14,745.6 is 4069.01.
        ("{number: 5, reciprocal: 60000000 counts, from: 1, to: 65535, rounding: up}", "3 mm", 4070),
    ],
)
def test_a_window_as_wide_as_the_limit_is_not_rounded_beyond_it(bench, scale, wish, raw):
    dialect(bench, "own", scale)
    speaks(bench, BEAM, "own")
    plan, values = configured(bench, f"beam: {{following_error: {wish}}}")
    assert [values[side][Setting.FOLLOWING_ERROR] for side in (LEFT, RIGHT)] == [raw, raw]
    for side in (LEFT, RIGHT):
        assert let_out(plan, side, Setting.FOLLOWING_ERROR, raw)


def test_the_next_raw_value_would_have_been_refused(bench):
    dialect(bench, "own", "{number: 5, unit: 4 counts, from: 1, to: 65535, rounding: up}")
    speaks(bench, BEAM, "own")
    plan, _ = configured(bench, "beam: {following_error: 3 mm}")
    assert not let_out(plan, LEFT, Setting.FOLLOWING_ERROR, 3687)


def test_an_acceleration_is_kept_too(bench):
    """800 mm/s² are 3,932,160 counts/s², 393.216 steps of 10,000: up 394, which mean 801.6 mm/s²."""
    old = "{number: 2, unit: 4096 counts/s^2,  from: 1, to: 65535, rounding: down}"
    dialect(bench, "own", "{number: 2, unit: 10000 counts/s^2, from: 1, to: 65535, rounding: up}", old)
    speaks(bench, BEAM, "own")
    plan, values = configured(bench, "beam: {acceleration: 800 mm/s^2}")
    assert [values[side][Setting.ACCELERATION] for side in (LEFT, RIGHT)] == [393, 393]
    assert let_out(plan, RIGHT, Setting.ACCELERATION, 393)


def test_two_sides_with_other_steps_keep_the_limit_together(bench):
    """Steps of 4 and of 6 counts have 12 in common; 14,745.6 // 12 = 1228, 14,736 counts: 3684 and 2456."""
    dialect(bench, "own", "{number: 5, unit: 4 counts, from: 1, to: 65535, rounding: up}")
    dialect(bench, "other", "{number: 5, unit: 6 counts, from: 1, to: 65535, rounding: up}")
    speaks(bench, BEAM, "own")
    bench.machine("right: {like: left, node: 12", "right: {like: left, node: 12, dialect: ./other.yaml")
    plan, values = configured(bench, "beam: {following_error: 3 mm}")
    assert [values[side][Setting.FOLLOWING_ERROR] for side in (LEFT, RIGHT)] == [3684, 2456]
    assert let_out(plan, LEFT, Setting.FOLLOWING_ERROR, 3684)
    assert let_out(plan, RIGHT, Setting.FOLLOWING_ERROR, 2456)


def test_a_percentage_has_no_limit_but_the_wire(bench):
    """33.3 % are 66.6 steps of a half per cent."""
    old = "{number: 6, unit: 1 %,              from: 1, to: 100,   rounding: down}"
    dialect(bench, "own", "{number: 6, unit: 1/2 %, from: 2, to: 200, rounding: up}", old)
    speaks(bench, LIFT_AXIS, "own")
    _, values = configured(bench, "lift: {torque_limit: 33.3 %}")
    assert values[LIFT][Setting.TORQUE_LIMIT] == 67
