"""What the guard knows of loads: kept ones, relative ones, loads and settings of several frames; practice.md P1, P3."""

import pytest

from choreo.frame import Frame
from choreo.run.guard import Guard, GuardRefusal
from choreo.wire.described import DescribedDialect
from choreo.wire.words import FrameClass
from tests.drive.variants import compiled, preload_in_two, text
from tests.run.fake import node_limits

KEPT = compiled(text(("at_trigger: consumed", "at_trigger: kept"), name="kept"))
RELATIVE = compiled(text(("relative_to: never", "relative_to: demand"), name="relative"))
PILING = compiled(preload_in_two(text(("second_load: replaces", "second_load: adds"), name="piling")))
WRITE_IN_TWO = """\
  write_setting:
    class: sets
    frames:
      - {request: {on: request, payload: [{constant: 0x22}, {number: unsigned 8}]}, reply: {on: reply, payload: [{constant: 0xA2}, {number: unsigned 8}], means: received}}
      - {request: {on: request, payload: [{constant: 0x23}, {value: unsigned 16}]}, reply: {on: reply, payload: [{constant: 0xA3}, {value: unsigned 16}], means: done}}
    within: 60 ms
"""  # noqa: E501


def write_in_two() -> DescribedDialect:
    found = text(name="slow_writer")
    begin, end = found.index("  write_setting:"), found.index("  arm_latch:")
    return compiled(found[:begin] + WRITE_IN_TWO + found[end:])


def guard_of(dialect: DescribedDialect, *nodes: int) -> Guard:
    guard = Guard({dialect.name: dialect}, [(node_limits(node, f"axis{node}"), dialect.name) for node in nodes])
    for node in nodes:
        guard.found_at(node, 20_000)
    return guard


def load(dialect: DescribedDialect, node: int, target: int) -> Frame:
    return dialect.encode("preload", node, target=target, speed=10)


START = KEPT.encode("start", None)


# Kept loads.


@pytest.fixture
def kept() -> Guard:
    guard = guard_of(KEPT, 11, 12, 13)
    for node in (11, 12, 13):
        guard.stands_at(node, 20_000, 2)
    return guard


def test_a_start_needs_exactly_the_loads_that_were_announced_and_the_idle_ones(kept: Guard):
    kept.check(load(KEPT, 11, 22_000))
    kept.check(load(KEPT, 12, 20_001))
    kept.allow_start([11], [12])
    assert kept.check(START) is FrameClass.STARTS


@pytest.mark.parametrize(("real", "idle"), [([11], []), ([11, 12], []), ([11], [12, 13]), ([12], [11]), ([], [11, 12])])
def test_any_other_set_is_refused(kept: Guard, real, idle):
    kept.check(load(KEPT, 11, 22_000))
    kept.check(load(KEPT, 12, 20_001))
    kept.allow_start(real, idle)
    if (real, idle) == ([11, 12], []):  # a load of no way is a load: announcing it as one is no danger
        assert kept.check(START) is FrameClass.STARTS
    else:
        with pytest.raises(GuardRefusal, match=r"start trigger|takes no part"):
            kept.check(START)


def test_a_load_that_leads_somewhere_is_no_idle_one(kept: Guard):
    kept.check(load(KEPT, 11, 22_000))
    kept.check(load(KEPT, 12, 20_003))  # 3 counts; the encoder's noise is 2
    kept.allow_start([11], [12])
    with pytest.raises(GuardRefusal, match="takes no part in the start, and its load leads 3 counts"):
        kept.check(START)


def test_what_the_last_start_left_must_be_loaded_over_or_cleared(kept: Guard):
    """practice.md P1: a kept load runs again at the next trigger."""
    kept.check(load(KEPT, 11, 22_000))
    kept.allow_start([11])
    kept.check(START)
    kept.check(load(KEPT, 12, 22_000))
    kept.allow_start([12], [11])
    with pytest.raises(GuardRefusal, match=r"nodes \[11\] one that was started before"):
        kept.check(START)
    kept.unloaded(11)  # it has proved that it holds nothing
    kept.allow_start([12])
    assert kept.check(START) is FrameClass.STARTS


def test_where_loads_are_consumed_nothing_is_left():
    plain = compiled(text())
    guard = guard_of(plain, 11, 12)
    for node in (11, 12):
        guard.check(load(plain, node, 21_000))
        guard.allow_start([node])
        guard.check(plain.encode("start", None))


# Relative loads: judged by where they lead.


@pytest.mark.parametrize(("way", "allowed"), [(5_000, True), (-5_000, True), (5_001, False), (-5_001, False)])
def test_before_home_the_sum_must_lie_within_reach(way: int, allowed: bool):
    guard = guard_of(RELATIVE, 11)
    guard.stands_at(11, 20_000, 2)
    judged(guard, way, allowed, "20000 counts" if allowed else f"target {20_000 + way} counts is outside")


@pytest.mark.parametrize(
    ("stands", "way", "allowed"),
    [(90_000, 10_000, True), (90_000, 10_001, False), (100, -100, True), (100, -101, False), (100_000, 1, False)],
)
def test_after_home_the_sum_must_lie_within_the_travel(stands: int, way: int, allowed: bool):
    guard = guard_of(RELATIVE, 11)
    guard.homed(11)
    guard.stands_at(11, stands, 2)
    judged(guard, way, allowed, f"target {stands + way} counts is outside 0 to 100000")


def judged(guard: Guard, way: int, allowed: bool, words: str) -> None:
    frame = load(RELATIVE, 11, way)
    if allowed:
        assert guard.check(frame) is FrameClass.LOADS
    else:
        with pytest.raises(GuardRefusal, match=words):
            guard.check(frame)


def test_a_relative_load_before_it_is_known_where_the_axis_stands_is_refused():
    with pytest.raises(GuardRefusal, match="before it is known where the axis stands"):
        guard_of(RELATIVE, 11).check(load(RELATIVE, 11, 0))


# Several frames.


def test_the_frames_of_a_load_are_one_load_in_order():
    guard = guard_of(PILING, 11)
    with pytest.raises(GuardRefusal, match="frame 2 of a load after frame 0"):
        guard.check(PILING.encode("preload.2", 11, speed=10))
    guard.check(PILING.encode("preload.1", 11, target=21_000))
    guard.check(PILING.encode("preload.2", 11, speed=10))
    with pytest.raises(GuardRefusal, match="would be added to the first"):
        guard.check(PILING.encode("preload.1", 11, target=21_000))


def test_each_frame_is_judged_by_the_fields_that_it_carries():
    guard = guard_of(PILING, 11)
    with pytest.raises(GuardRefusal, match="target 25001 counts is outside"):
        guard.check(PILING.encode("preload.1", 11, target=25_001))
    guard.check(PILING.encode("preload.1", 11, target=21_000))
    with pytest.raises(GuardRefusal, match="raw speed 61 is outside 1 to 60"):
        guard.check(PILING.encode("preload.2", 11, speed=61))


def test_a_drive_that_has_half_a_load_holds_one_and_is_not_started():
    guard = guard_of(PILING, 11)
    guard.check(PILING.encode("preload.1", 11, target=21_000))
    guard.allow_start([])
    with pytest.raises(GuardRefusal, match=r"while nodes \[11\] hold a load"):
        guard.check(PILING.encode("start", None))
    guard.allow_start([11])
    with pytest.raises(GuardRefusal, match="only a part of its load"):
        guard.check(PILING.encode("start", None))


def test_a_setting_in_two_frames_is_judged_when_it_is_whole():
    dialect = write_in_two()
    guard = guard_of(dialect, 11)
    guard.check(dialect.encode("write_setting.1", 11, number=1))
    guard.check(dialect.encode("write_setting.2", 11, value=400))
    guard.check(dialect.encode("write_setting.1", 11, number=1))
    with pytest.raises(GuardRefusal, match="raw speed 401 is outside 1 to 400"):
        guard.check(dialect.encode("write_setting.2", 11, value=401))
    guard.check(dialect.encode("write_setting.1", 11, number=99))
    with pytest.raises(GuardRefusal, match="setting 99 is none"):
        guard.check(dialect.encode("write_setting.2", 11, value=1))
