"""The plan as a whole: limits for the guard, homing, dialects, determinism, plain data."""

import os
import pickle
import subprocess
import sys
from dataclasses import fields, is_dataclass
from fractions import Fraction as F
from pathlib import Path

import pytest

from choreo.plan.model import Anchor, Home
from choreo.plan.resolve import resolve
from choreo.wire.words import Setting
from plan.bench import OPENING

ROOT = Path(__file__).parents[2]
LEFT, RIGHT, CARRIAGE, LIFT, TABLE = range(5)


@pytest.fixture
def plan(bench):
    return bench.plan(OPENING)


def test_the_travel_of_an_inverted_axis_is_in_order(plan):
    """2400 mm at 4915.2 counts/mm (practice.md, demo machine)."""
    assert plan.node_limits[LEFT].travel == (0, 11_796_480)
    assert plan.node_limits[RIGHT].travel == (-11_796_480, 0)
    assert plan.node_limits[TABLE].travel == (-170 * 1024, 170 * 1024)


def test_no_raw_value_that_the_guard_lets_pass_means_more_than_the_limit(plan):
    for axis, limits in zip(plan.axes, plan.node_limits, strict=True):
        dialect = plan.dialects[axis.dialect]
        scale = abs(axis.counts_per_unit)
        for raw, limit in (
            (limits.speed_raw, axis.limits.speed),
            (limits.unhomed_speed_raw, axis.limits.unhomed_speed),
            (limits.settings[Setting.SPEED][1], axis.limits.speed),
        ):
            assert raw * dialect.move_speed.step / scale <= limit < (raw + 1) * dialect.move_speed.step / scale
        for setting, limit in (
            (Setting.ACCELERATION, axis.limits.acceleration),
            (Setting.QUICK_STOP, axis.limits.quick_stop),
            (Setting.FOLLOWING_ERROR, axis.limits.tracking),
        ):
            low, high = limits.settings[setting]
            step = dialect.settings[setting].step / scale
            assert low == 1
            assert high * step <= limit < (high + 1) * step


def test_a_limit_that_is_not_given_is_the_wires(plan):
    assert plan.axes[TABLE].limits.jerk is None
    assert plan.node_limits[TABLE].settings[Setting.JERK] == (1, 65535)
    assert plan.node_limits[TABLE].settings[Setting.TORQUE_LIMIT] == (1, 100)


def test_the_guard_knows_reach_and_edge(plan):
    assert plan.node_limits[LEFT].unhomed_reach == 12_288_000  # 2500 mm
    assert [limits.edge for limits in plan.node_limits[:2]] == [-39_322, 33_915]  # -8 mm; -6.9 mm, inverted


def test_limits_know_where_they_stand(plan, bench):
    origin = plan.axes[RIGHT].limits.origin
    lines = (bench.folder / "machine.yaml").read_text(encoding="utf-8").splitlines()
    file, line, column = origin["speed"].rsplit(":", 2)
    assert Path(file) == bench.folder / "machine.yaml"
    assert lines[int(line) - 1][int(column) - 1 :].startswith("400 mm/s, acceleration: 800")


def test_a_limit_below_the_coarsest_step_of_the_wire_is_refused(bench):
    # One raw step of acceleration is 4096 counts/s^2, on the table 4 deg/s^2.
    bench.machine("acceleration: 120 deg/s^2", "acceleration: 3 deg/s^2")
    assert bench.found("steps:\n  - dwell: 1 s\n") == [("raw-range", "3 deg/s^2")]


def test_homing_of_a_pair_has_both_sides_and_the_square_offset(plan):
    action = next(step.action for step in plan.steps if step.path == "3 (beam)")
    assert isinstance(action, Home)
    assert (action.axes, action.towards) == ((LEFT, RIGHT), -1)
    assert action.home_at == (F(-8), F("-6.9"))
    # 60 mm/s are 288 raw steps of 5/24 mm/s, 4 mm/s are 19.2 of them.
    assert action.search_raw == (288, 288)
    assert (action.crawl_raw, action.crawl) == ((19, 19), F(95, 24))
    assert (action.square_limit, action.square_torque_raw) == (3, 40)
    assert action.acceleration == (800, 800)


def test_homing_of_one_axis_has_nothing_to_square(plan):
    action = next(step.action for step in plan.steps if step.path == "3 (lift)")
    assert (action.towards, action.square_limit, action.square_torque_raw) == (1, 0, None)
    assert action.home_at == (655,)


def test_an_axis_known_by_name_carries_its_brake_and_pair(plan):
    lift = plan.axes[LIFT]
    assert lift.vertical
    assert (lift.brake.release_ns, lift.brake.engage_ns, lift.brake.sag) == (40_000_000, 60_000_000, F(1, 10))
    assert [axis.pair for axis in plan.axes] == ["beam", "beam", None, None, None]
    (pair,) = plan.pairs
    assert (pair.axes, pair.trip, pair.structural) == ((0, 1), F(3, 2), 20)


def test_a_dialect_of_ones_own_is_found_beside_the_recipe_and_hashed(bench):
    from hashlib import sha256

    from choreo.wire.described import shipped_file

    text = shipped_file("short_frame").read_text(encoding="utf-8").replace("name: short_frame", "name: mine")
    path = bench.write("mine.yaml", text)
    bench.machine("lift: {node: 14, dialect: short_frame", "lift: {node: 14, dialect: ./mine.yaml")
    plan = bench.plan("steps:\n  - dwell: 1 s\n")
    assert plan.axes[LIFT].dialect == "./mine.yaml"
    assert plan.dialects["./mine.yaml"].name == "mine"
    assert plan.dialect_files["./mine.yaml"].samefile(path)
    assert plan.hashes["./mine.yaml"] == sha256(text.encode()).hexdigest()


def test_a_dialect_that_does_not_ship_is_refused_where_it_is_named(bench):
    bench.machine("lift: {node: 14, dialect: short_frame", "lift: {node: 14, dialect: short_frames")
    assert bench.found("steps:\n  - dwell: 1 s\n") == [("dialect-unknown", "short_frames")]


def test_a_node_number_that_the_dialect_does_not_have_is_refused(bench):
    bench.machine("node: 14", "node: 32")
    assert bench.found("steps:\n  - dwell: 1 s\n") == [("node-range", "32")]


def test_a_scale_in_another_unit_than_the_axis_is_refused(bench):
    bench.machine("travel_per_output_rev: 360 deg", "travel_per_output_rev: 360 mm")
    plan, findings = resolve(bench.recipe("steps:\n  - dwell: 1 s\n"))
    assert plan is None
    assert [finding.rule for finding in findings] == ["unit"]


def test_what_moves_after_a_failed_look_up_is_still_looked_at(bench):
    """A `to` before home can be planned; that it must not be done is a check's to say."""
    plan, findings = resolve(bench.recipe("steps:\n  - move: {lift: {to: 600 mm}}\n  - move: {lift: {by: 10 mm}}\n"))
    assert findings == []
    first, second = (step.action.groups[0][0] for step in plan.steps)
    assert (first.anchor, first.start, first.target) == (Anchor.HOME, 600, 600)
    assert (second.start, second.target) == (600, 610)


FULL = OPENING + (
    "  - link_check: {axes: all, exchanges: 50}\n"
    "  - repeat: 3\n    steps:\n      - preload: {beam: {by: 10 mm}, carriage: {by: 3 mm}}\n        arrive: together\n"
    "      - trigger: [beam, carriage]\n"
    "      - wait_for_position: {axes: [beam, carriage], within: 0.1 mm, for: 60 ms}\n"
    "  - expect: {axis: left, position: 32 mm, within: 0.1 mm}\n  - dwell: 1 s\nclosing:\n  - disable: all\n"
)


def test_the_same_recipe_makes_an_equal_plan_and_another_an_unequal_one(bench):
    assert bench.plan(FULL) == bench.plan(FULL)
    assert bench.plan(FULL) != bench.plan(FULL.replace("dwell: 1 s", "dwell: 2 s"))


def test_a_plan_survives_pickling(bench):
    plan = bench.plan(FULL)
    copy = pickle.loads(pickle.dumps(plan))
    assert copy == plan
    assert copy.dialects.keys() == plan.dialects.keys()


def test_a_plan_does_not_depend_on_hashes(bench):
    bench.recipe(FULL)
    program = (
        "import sys\nfrom choreo.plan.resolve import make_plan\nfrom choreo.recipe.load import load\n"
        "from dataclasses import replace\nprint(repr(replace(make_plan(load(sys.argv[1])), dialects={})))\n"
    )
    seen = set()
    for seed in ("1", "2"):
        done = subprocess.run(
            [sys.executable, "-c", program, str(bench.folder / "recipe.yaml")],
            env={**os.environ, "PYTHONHASHSEED": seed, "PYTHONPATH": str(ROOT)},
            capture_output=True,
            check=True,
            text=True,
        )
        seen.add(done.stdout)
    assert len(seen) == 1


def test_a_plan_holds_no_part_of_the_recipe(bench):
    plan = bench.plan(FULL)
    kinds = {type(thing).__module__ for thing in walk({**values(plan), "dialects": None})}
    assert not [kind for kind in kinds if kind.startswith(("pydantic", "choreo.recipe", "choreo.text"))]


def values(thing):
    return {field.name: getattr(thing, field.name) for field in fields(thing)}


def walk(thing):
    yield thing
    if is_dataclass(thing):
        yield from walk(values(thing))
    elif isinstance(thing, dict):
        for key, value in thing.items():
            yield from walk(key)
            yield from walk(value)
    elif isinstance(thing, tuple | list):
        for item in thing:
            yield from walk(item)


@pytest.fixture
def plain_drive(bench):
    """The lift's drive moves in trapezoids and has neither a jerk nor a torque limit to set."""
    from choreo.wire.described import shipped_file

    lines = shipped_file("short_frame").read_text(encoding="utf-8").splitlines()
    kept = [line for line in lines if not line.strip().startswith(("jerk:", "torque_limit:"))]
    text = "\n".join(kept).replace("name: short_frame", "name: plain").replace("jerk_limited", "trapezoid")
    bench.write("plain.yaml", text)
    bench.machine("lift: {node: 14, dialect: short_frame", "lift: {node: 14, dialect: ./plain.yaml")
    return bench


PLAIN_STEPS = (
    "steps:\n  - configure: {lift: {speed: 100 mm/s, acceleration: 200 mm/s^2, quick_stop: 1500 mm/s^2}}\n"
    "  - enable: lift\n  - home: lift\n  - move: {lift: {by: -100 mm}}\n"
)


def test_a_drive_that_moves_in_trapezoids_is_predicted_so(plain_drive):
    plan = plain_drive.plan(PLAIN_STEPS)
    assert plan.steps[2].action.jerk == (None,)
    ((move,),) = plan.steps[3].action.groups
    assert move.jerk is None
    # facts.md E1: D / V + V / A
    assert move.duration_ns == pytest.approx((100 / 100 + 100 / 200) * 1e9, abs=1)


def test_a_setting_that_a_dialect_does_not_have_is_refused(plain_drive):
    body = "steps:\n  - configure: {lift: {jerk: 4000 mm/s^3, torque_limit: 80 %}}\n"
    assert plain_drive.found(body) == [("setting-unknown", "4000 mm/s^3"), ("setting-unknown", "80 %")]


def test_groups_are_homed_as_they_are_named(bench):
    plan = bench.plan("steps:\n  - home: [beam, lift]\n  - home: lift\n")
    assert [step.path for step in plan.steps] == ["1 (beam)", "1 (lift)", "2"]


def test_a_search_too_slow_for_the_wire_is_refused_at_the_machines_value(bench):
    bench.machine("crawl: 1 deg/s", "crawl: 0.5 deg/s")
    assert bench.found("steps:\n  - home: table\n") == [("raw-range", "0.5 deg/s")]


def test_a_homing_in_another_unit_is_refused(bench):
    bench.machine("back_off: 5 deg", "back_off: 5 mm")
    assert bench.found("steps:\n  - home: table\n") == [("unit", "5 mm")]
