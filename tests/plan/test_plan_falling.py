"""
A machine whose beam speaks a dialect with a falling raw unit of speed: 1,200,000,000 counts/s divided by the code. The
other axes keep the linear one. Codes by hand from the demo machine's 4915.2 counts/mm (practice.md).
"""

from fractions import Fraction as F

import pytest

from choreo.run.guard import Guard, GuardRefusal
from choreo.wire.described import shipped_file
from choreo.wire.words import Setting
from plan.bench import CONFIGURE

LINEAR = "unit: 1024 counts/s,    from: 1"
FALLING = "reciprocal: 1200000000 counts/s, from: 1"
LEFT, RIGHT = 0, 1

# 400 mm/s are 1,966,080 counts/s: code 610 means 1,967,213, more than that, and code 611 means 1,963,993.
FASTEST = 611
# 60 mm/s before home are 294,912 counts/s: code 4069 means 294,912.8, a little more, so 4070.
UNHOMED = 4070
# 250 mm/s are 1,228,800 counts/s: code 976 means 1,229,508, code 977 means 1,228,249.
RUN = 977


@pytest.fixture
def plan(bench):
    text = shipped_file("short_frame").read_text("utf-8")
    assert text.count(LINEAR) == 1
    bench.write("falling.yaml", text.replace(LINEAR, FALLING).replace("name: short_frame", "name: falling"))
    bench.machine("left: {node: 11, dialect: short_frame", "left: {node: 11, dialect: ./falling.yaml")
    return bench.plan(f"steps:\n{CONFIGURE}  - enable: all\n  - home: beam\n  - move: {{beam: {{to: 600 mm}}}}\n")


def test_limits_are_the_right_way_round(plan):
    for limits in plan.node_limits[LEFT : RIGHT + 1]:
        assert (limits.speed_raw, limits.unhomed_speed_raw, limits.slowest_speed_raw) == (FASTEST, UNHOMED, 65535)
        assert limits.settings[Setting.SPEED] == (FASTEST, 65535)


def test_both_sides_of_the_beam_get_the_same_speed_rounded_down(plan):
    """practice.md P24 (common practice, no source)."""
    moves = {move.axis: move for move in plan.steps[-1].action.groups[0]}
    assert [moves[side].speed_raw for side in (LEFT, RIGHT)] == [RUN, RUN]
    assert moves[LEFT].speed == moves[RIGHT].speed == F(1_200_000_000, RUN) / F("4915.2")
    assert F(249) < moves[LEFT].speed < F(250)


@pytest.mark.parametrize(("code", "allowed"), [(FASTEST, True), (FASTEST - 1, False), (65535, True), (0, False)])
def test_the_guard_knows_that_a_smaller_code_is_faster(plan, code, allowed):
    axis, limits = plan.axes[LEFT], plan.node_limits[LEFT]
    dialect = plan.dialects[axis.dialect]
    guard = Guard(plan.dialects, [(limits, axis.dialect)])
    guard.found_at(axis.node, 0)
    guard.homed(axis.node)
    frame = dialect.encode("preload", axis.node, target=1000, speed=code)
    if allowed:
        guard.check(frame)
    else:
        with pytest.raises(GuardRefusal, match=f"raw speed {code} is outside {FASTEST} to 65535"):
            guard.check(frame)
