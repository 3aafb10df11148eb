"""The guard lets nothing out that the limits do not allow, whatever composed it."""

import re
from dataclasses import replace

import pytest

from choreo.frame import Frame
from choreo.run.guard import Guard, GuardRefusal
from choreo.wire.described import shipped_file
from choreo.wire.words import FrameClass, Setting
from tests.drive.variants import compiled
from tests.run.fake import DIALECT, guard_for, node_limits


def request(message: str, node: int | None = 11, **values: int) -> Frame:
    return DIALECT.encode(message, node, **values)


@pytest.fixture
def guard() -> Guard:
    guard = guard_for(11, 12)
    for node in (11, 12):
        guard.found_at(node, 20_000)
    return guard


def test_reads_pass_and_are_remembered(guard: Guard):
    poll = request("read_position")
    assert guard.check(poll) is guard.check(poll) is FrameClass.NEUTRAL
    assert poll in guard.harmless


def test_a_frame_of_no_dialect_is_refused(guard: Guard):
    with pytest.raises(GuardRefusal, match="no request of any dialect"):
        guard.check(Frame(0x7FF, b"\x01"))


def test_a_reply_is_no_request(guard: Guard):
    with pytest.raises(GuardRefusal, match="no request"):
        guard.check(DIALECT.encode_reply("read_position", 11, position=5))


def test_a_node_that_the_recipe_does_not_declare_is_refused(guard: Guard):
    with pytest.raises(GuardRefusal, match="node 13"):
        guard.check(request("read_position", 13))


@pytest.mark.parametrize("message", ["move", "preload"])
@pytest.mark.parametrize(
    ("homed", "target", "speed", "allowed"),
    [
        (False, 25_000, 60, True),
        (False, 15_000, 60, True),
        (False, 25_001, 60, False),
        (False, 14_999, 60, False),
        (False, 20_000, 61, False),
        (True, 0, 400, True),
        (True, 100_000, 400, True),
        (True, -1, 400, False),
        (True, 100_001, 400, False),
        (True, 50_000, 401, False),
        (True, 50_000, 0, False),  # a raw speed of 0 means "no limit" in this dialect (practice.md P24)
    ],
)
def test_targets_and_speeds(guard: Guard, message: str, homed: bool, target: int, speed: int, allowed: bool):
    if homed:
        guard.homed(11)
    frame = request(message, target=target, speed=speed)
    if allowed:
        assert guard.check(frame) in (FrameClass.MOVES, FrameClass.LOADS)
    else:
        with pytest.raises(GuardRefusal, match="axis11"):
            guard.check(frame)


def test_no_move_before_it_is_known_where_the_axis_stands():
    with pytest.raises(GuardRefusal, match="before it is known"):
        guard_for(11).check(request("preload", target=0, speed=1))


@pytest.mark.parametrize(
    ("number", "value", "allowed"),
    [(1, 400, True), (1, 401, False), (1, 0, False), (2, 960, True), (3, 1, False), (99, 1, False)],
)
def test_settings(guard: Guard, number: int, value: int, allowed: bool):
    frame = request("write_setting", number=number, value=value)
    if allowed:
        assert guard.check(frame) is FrameClass.SETS
    else:
        with pytest.raises(GuardRefusal, match=r"setting|raw"):
            guard.check(frame)


def test_only_the_declared_home_edge_may_be_declared(guard: Guard):
    assert guard.check(request("home", edge=-800)) is FrameClass.SETS
    with pytest.raises(GuardRefusal, match="-801"):
        guard.check(request("home", edge=-801))


def test_only_start_and_stop_may_be_broadcast(guard: Guard):
    """practice.md P3 (common practice, no source)."""
    assert guard.check(request("stop", None)) is FrameClass.STOPS
    assert guard.check(request("quick_stop", None)) is FrameClass.STOPS
    with pytest.raises(GuardRefusal):
        guard.check(Frame(0x140, b"\x31\x01"))  # `enable` on the broadcast node


def test_a_start_needs_exactly_the_loads_that_were_announced(guard: Guard):
    """practice.md P3: the set that is started must be the set that is loaded."""
    start = request("start", None)
    with pytest.raises(GuardRefusal, match="start trigger"):
        guard.check(start)
    guard.check(request("preload", 11, target=21_000, speed=10))
    guard.check(request("preload", 12, target=21_000, speed=10))
    guard.allow_start([11])
    with pytest.raises(GuardRefusal, match=r"\[11\] while nodes \[11, 12\]"):
        guard.check(start)
    guard.allow_start([11, 12])
    assert guard.check(start) is FrameClass.STARTS
    with pytest.raises(GuardRefusal):  # once only
        guard.check(start)


def test_a_cleared_load_no_longer_counts(guard: Guard):
    guard.check(request("preload", 11, target=21_000, speed=10))
    guard.unloaded(11)
    guard.allow_start([11])
    with pytest.raises(GuardRefusal):
        guard.check(request("start", None))


@pytest.mark.parametrize(
    "frame",
    [
        request("preload", target=20_000, speed=10),
        request("move", target=20_000, speed=10),
        request("enable"),
        request("release_brake"),
        request("reset_fault"),
        request("start", None),
    ],
)
def test_while_stopping_nothing_leaves_that_moves_an_axis(guard: Guard, frame: Frame):
    guard.stopping = True
    with pytest.raises(GuardRefusal, match="while the run is stopping"):
        guard.check(frame)


@pytest.mark.parametrize("message", ["read_position", "status", "clear_load", "disable", "apply_brake", "quick_stop"])
def test_while_stopping_what_calms_a_machine_still_leaves(guard: Guard, message: str):
    guard.stopping = True
    assert guard.check(request(message)) is DIALECT.class_of(message)


def test_only_declared_outputs_are_switched():
    limits = replace(node_limits(11, "axis11"), outputs=(1, 3))
    guard = Guard({"short_frame": DIALECT}, [(limits, "short_frame"), (node_limits(12, "axis12"), "short_frame")])
    assert guard.check(request("set_output", output=3, on=1)) is FrameClass.SWITCHES
    assert guard.check(request("set_output", output=1, on=0)) is FrameClass.SWITCHES
    with pytest.raises(GuardRefusal, match="output 2 is not declared in the recipe; declared are 1, 3") as refused:
        guard.check(request("set_output", output=2, on=1))
    assert refused.value.rule == "guard-output"
    with pytest.raises(GuardRefusal, match="declared are none"):
        guard.check(request("set_output", 12, output=1, on=1))
    with pytest.raises(GuardRefusal, match="set to 2; 0 and 1 are allowed"):
        guard.check(request("set_output", output=1, on=2))


def test_no_output_is_switched_after_a_stop(guard: Guard):
    """Practice.md P17 (common practice, no source): outputs stay as they are."""
    guard.stopping = True
    with pytest.raises(GuardRefusal, match="while the run is stopping"):
        guard.check(request("set_output", output=1, on=0))


# ---- several dialects on one bus -----------------------------------------------------------------------------------


def varied(**bases: int):
    """The sample dialect on other identifiers, and what it calls itself."""
    text = shipped_file("short_frame").read_text(encoding="utf-8").replace("name: short_frame", "name: other")
    for name, base in bases.items():
        text, found = re.subn(rf"(  {name}: +{{base: )0x[0-9A-F]+", rf"\g<1>{base:#x}", text)
        assert found == 1
    return compiled(text)


ELSEWHERE = varied(stop=0x220, trigger=0x240, event=0x260, reply=0x320, request=0x340)


def guard_of_two(other) -> Guard:
    """Node 11 speaks the sample dialect, node 12 another."""
    guard = Guard({"one": DIALECT, "two": other}, [(node_limits(11, "left"), "one"), (node_limits(12, "right"), "two")])
    for node in (11, 12):
        guard.found_at(node, 20_000)
    return guard


def loads(dialect, node: int) -> Frame:
    return dialect.encode("preload", node, target=21_000, speed=60)


def test_a_start_sets_off_the_loads_of_its_own_dialect_and_no_others():
    """practice.md P3: what a start names must be what it starts."""
    guard = guard_of_two(ELSEWHERE)
    guard.check(loads(DIALECT, 11))
    guard.check(loads(ELSEWHERE, 12))
    guard.allow_start([11, 12])
    with pytest.raises(GuardRefusal, match=r"start trigger for nodes \[11, 12\] while nodes \[11\] hold a load"):
        guard.check(DIALECT.encode("start", None))
    guard.allow_start([12])
    assert guard.check(ELSEWHERE.encode("start", None)) is FrameClass.STARTS


def test_a_node_is_judged_in_its_own_dialect():
    """Requests of the other dialect to node 12 have the identifiers of node 11 here: they are for nobody."""
    crossing = varied(reply=0x0C0, request=0x13F)
    guard = guard_of_two(crossing)
    frame = crossing.encode("read_position", 12)
    assert DIALECT.decode(frame).node == 11
    with pytest.raises(GuardRefusal) as refused:
        guard.check(frame)
    assert refused.value.rule == "guard-ambiguous"


def test_a_frame_to_all_that_means_the_same_in_both_may_leave():
    guard = guard_of_two(varied(reply=0x160, request=0x180))
    assert guard.check(DIALECT.encode("stop", None)) is FrameClass.STOPS
    guard.check(loads(DIALECT, 11))
    guard.allow_start([11])
    assert guard.check(DIALECT.encode("start", None)) is FrameClass.STARTS


def test_a_start_for_one_drive_alone_is_refused():
    text = shipped_file("short_frame").read_text(encoding="utf-8")
    alone = compiled(text.replace("broadcast: only", "broadcast: allowed"))
    guard = Guard({"one": alone}, [(node_limits(11, "left"), "one")])
    guard.found_at(11, 20_000)
    guard.check(loads(alone, 11))
    guard.allow_start([11])
    with pytest.raises(GuardRefusal, match="would start this drive alone"):
        guard.check(alone.encode("start", 11))


def test_a_raw_value_that_means_something_else_is_refused_inside_of_its_range():
    """practice.md P24: never to a raw value that means "no limit"."""
    text = shipped_file("short_frame").read_text(encoding="utf-8")
    special = compiled(text.replace("special: {0: no limit}", "special: {0: no limit, 50: no limit}"))
    guard = Guard({"one": special}, [(node_limits(11, "left"), "one")])
    guard.found_at(11, 20_000)
    guard.check(special.encode("preload", 11, target=21_000, speed=49))
    with pytest.raises(GuardRefusal, match="raw value 50 means 'no limit'"):
        guard.check(special.encode("preload", 11, target=21_000, speed=50))
    with pytest.raises(GuardRefusal, match="raw value 50 means 'no limit'"):
        guard.check(special.encode("write_setting", 11, number=special.numbers[Setting.SPEED], value=50))
