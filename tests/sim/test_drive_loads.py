"""Held moves and the start trigger: the rules of practice.md P1 and P2, and when a drive really starts (P32)."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from choreo_sim.dialect_reader import LoadRules
from choreo_sim.load_slot import Load, LoadSlot

from .bench import HORIZONTAL, LOADED, MOVING, MS, PER_MM, SECOND, SPEED, Bench, shipped


def rules(**changes: object) -> LoadRules:
    return replace(shipped().loads, **changes)


def ready(**changes: object) -> Bench:
    dialect = replace(shipped(), loads=rules(**changes)) if changes else None
    bench = Bench(dialect=dialect)
    bench.enable()
    return bench


def test_a_load_waits_for_the_trigger_and_is_consumed_by_it():
    bench = ready()
    begin = bench.position()
    bench.preload(begin + 5000)
    bench.wait(SECOND)
    assert bench.position() == begin
    bench.start()
    bench.wait(SECOND)
    assert bench.position() == begin + 5000
    assert not bench.status()[0] & LOADED
    bench.move(begin)
    bench.wait(SECOND)
    bench.start()
    bench.wait(SECOND)
    assert bench.position() == begin


def test_a_second_load_replaces_the_first():
    bench = ready()
    begin = bench.position()
    bench.preload(begin + 5000)
    bench.preload(begin - 3000)
    bench.start()
    bench.wait(SECOND)
    assert bench.position() == begin - 3000


def test_a_load_survives_what_the_dialect_says_and_nothing_else():
    bench = ready()
    begin = bench.position()
    bench.preload(begin + 5000)
    bench.stop()
    bench.quick_stop()
    bench.ask("31 00")
    bench.start()  # without power nothing starts, and the load stays
    bench.enable()
    assert bench.status()[0] & LOADED
    bench.start()
    bench.wait(SECOND)
    assert bench.position() == begin + 5000
    bench.preload(begin)
    assert bench.ask("43") == "C3"
    bench.start()
    bench.wait(SECOND)
    assert bench.position() == begin + 5000


def test_a_load_does_not_survive_the_loss_of_the_supply():
    bench = ready()
    bench.preload(bench.position() + 5000)
    bench.drives[11].boot()
    bench.wait(100 * MS)
    assert bench.events() == ["F0"]
    assert not bench.status()[0] & LOADED


@pytest.mark.parametrize("event", ["stop", "quick_stop", "disable", "power_cycle"])
@pytest.mark.parametrize("kept", [True, False])
def test_what_a_load_survives_is_what_the_dialect_says(event, kept):
    """practice.md P1 (common practice, no source)."""
    bench = ready(survives=frozenset({event}) if kept else frozenset())
    bench.preload(bench.position() + 5000)
    if event == "power_cycle":
        bench.drives[11].boot()
        bench.wait(100 * MS)
    elif event == "disable":
        bench.ask("31 00")
    else:
        getattr(bench, event)()
    assert bool(bench.status()[0] & LOADED) is kept


@pytest.mark.parametrize("event", ["stop", "disable"])
def test_what_clears_a_load_clears_it_whatever_it_survives(event):
    bench = ready(cleared_by=frozenset({event}), survives=frozenset({"stop", "disable"}))
    bench.preload(bench.position() + 5000)
    assert bench.ask("43") == "C3"  # here this is no clearing: it is refused nowhere and changes nothing
    assert bench.status()[0] & LOADED
    if event == "stop":
        bench.stop()
    else:
        bench.ask("31 00")
    assert not bench.status()[0] & LOADED


def test_a_load_is_refused_like_a_move():
    bench = Bench()
    assert bench.preload(0) == "EE 42 03"
    bench.enable()
    assert bench.preload(0, SPEED + 1) == "EE 42 01"
    assert bench.preload(0, 0) == "EE 42 01"
    assert not bench.status()[0] & LOADED


def test_a_load_may_come_while_it_moves_and_its_trigger_turns_the_axis_around():
    bench = ready()
    begin = bench.position()
    bench.move(begin + round(100 * PER_MM))
    bench.wait(500 * MS)
    bench.preload(begin)
    bench.start()
    bench.wait(3 * SECOND)
    assert bench.position() == begin


def test_a_load_that_the_trigger_keeps_is_run_again():
    bench = ready(at_trigger="kept")
    begin = bench.position()
    bench.preload(begin + 5000)
    for _ in range(2):
        bench.start()
        bench.wait(SECOND)
        assert bench.position() == begin + 5000
        assert bench.status()[0] & LOADED
        bench.move(begin)
        bench.wait(SECOND)


def test_a_kept_load_of_nothing_moves_nothing():
    """practice.md P1: where loads are kept, a drive that takes no part is loaded with nothing before each trigger."""
    bench = ready(at_trigger="kept", relative_to="actual")
    begin = bench.position()
    bench.preload(5000)
    bench.start()
    bench.wait(SECOND)
    assert bench.position() == begin + 5000
    bench.preload(0)
    for _ in range(2):
        bench.start()
        bench.wait(SECOND)
        assert bench.position() == begin + 5000


def test_queued_loads_go_one_a_trigger():
    bench = ready(second_load="queues")
    begin = bench.position()
    for target in (5000, 9000):
        bench.preload(begin + target)
    for target in (5000, 9000, 9000):
        bench.start()
        bench.wait(SECOND)
        assert bench.position() == begin + target


def test_a_second_load_may_be_refused():
    bench = ready(second_load="refused")
    assert bench.preload(100).startswith("C2")
    assert bench.preload(200) == "EE 42 01"


@pytest.mark.parametrize(("relative_to", "expected"), [("target", 3000), ("demand", 3000), ("actual", 3000)])
def test_relative_loads_add_up(relative_to, expected):
    bench = ready(second_load="adds", relative_to=relative_to)
    begin = bench.position()
    bench.preload(1000)
    bench.preload(2000)
    bench.start()
    bench.wait(SECOND)
    assert bench.position() == begin + expected


def test_target_demand_and_actual_differ_while_it_moves():
    """Each from its own base: the end of the way, the demand, and where the axis is (8 ms, here 2 mm, behind)."""
    ends = {}
    for base in ("target", "demand", "actual"):
        dialect = replace(shipped(), loads=rules(relative_to=base))
        bench = Bench(replace(HORIZONTAL, lag_ns=8 * MS), dialect=dialect)
        bench.enable()
        begin = bench.position()
        bench.preload(round(400 * PER_MM))
        bench.start()
        bench.wait(SECOND)
        bench.preload(round(200 * PER_MM))
        bench.start()
        bench.wait(4 * SECOND)
        ends[base] = (bench.position() - begin) / PER_MM
    assert ends["target"] == pytest.approx(600, abs=0.01)
    assert ends["demand"] - ends["actual"] == pytest.approx(2.0, abs=0.01)
    assert 200 < ends["actual"] < 600


@pytest.mark.parametrize("seed", range(8))
def test_a_trigger_takes_effect_within_its_latch_time_and_a_cycle(seed):
    """The dialect: latch 0.5 ms, cycle 1 ms; practice.md P32: the cycles of drives are not in step."""
    truths = [replace(HORIZONTAL, name=f"axis{node}", node=node) for node in range(1, 7)]
    bench = Bench(*truths, seed=seed)
    for node in bench.drives:
        bench.enable(node)
        bench.preload(bench.position(node) + 50_000, node=node)
    bench.start()
    triggered = bench.now
    begun = []
    for drive in bench.drives.values():
        drive.servo.begun.append(lambda _: begun.append(bench.now - triggered))
    bench.wait(3 * MS)
    assert len(begun) == 6
    assert all(500_000 <= ns < 1_500_000 for ns in begun)
    assert max(begun) - min(begun) > 100_000


@pytest.mark.parametrize("seed", range(8))
def test_a_stop_takes_back_a_trigger_that_has_not_begun(seed):
    """The start waits for its latch time; the stop may find an earlier cycle than the start."""
    bench = Bench(seed=seed)
    bench.enable()
    begin = bench.position()
    bench.preload(begin + 50_000)
    servo = bench.drives[11].servo
    servo.trigger()
    assert servo.moving(bench.now)
    servo.stop("stop")
    assert not servo.moving(bench.now)
    bench.wait(SECOND)
    assert bench.position() == begin


def test_nothing_starts_while_a_stop_lasts_and_the_load_is_kept():
    bench = ready()
    begin = bench.position()
    bench.move(begin + round(600 * PER_MM))
    bench.wait(SECOND)
    bench.preload(begin)
    bench.stop()
    bench.wait(10 * MS)
    bench.start()
    assert bench.move(begin) == "EE 41 05"
    bench.wait(2 * SECOND)
    flags, _ = bench.status()
    assert flags & LOADED
    assert not flags & MOVING
    assert bench.position() > begin + 100 * PER_MM


steps = st.lists(
    st.one_of(
        st.tuples(st.just("load"), st.integers(-20_000, 20_000)),
        st.tuples(st.sampled_from(["start", "clear_load", "stop", "quick_stop", "disable", "enable"]), st.just(0)),
    ),
    max_size=12,
)


@given(steps)
def test_loads_follow_the_rules_of_the_dialect(steps):
    """Against the shortest model of the shipped dialect: one load, the last one, until trigger or clearing."""
    bench = ready()
    begin = place = bench.position()
    enabled, held = True, None
    for what, offset in steps:
        if what == "load":
            answer = bench.preload(begin + offset)
            assert answer.startswith("C2" if enabled else "EE 42 03")
            held = begin + offset if enabled else held
        elif what == "start":
            bench.start()
            bench.wait(SECOND)
            if enabled and held is not None:
                place, held = held, None
        elif what == "clear_load":
            bench.ask("43")
            held = None
        elif what in ("stop", "quick_stop"):
            getattr(bench, what)()
        else:
            enabled = what == "enable"
            bench.ask("31 01" if enabled else "31 00")
        assert bool(bench.status()[0] & LOADED) == (held is not None)
        assert bench.position() == place


@given(st.lists(st.integers(-1000, 1000), min_size=1, max_size=6))
def test_slots_hold_what_their_rule_says(targets):
    loads = [Load(target, 1) for target in targets]
    found = {}
    for rule in ("replaces", "queues", "adds", "refused"):
        slot = LoadSlot(rules(second_load=rule))
        taken = [slot.put(load) for load in loads]
        assert all(taken) or rule == "refused"
        found[rule] = [slot.take() for _ in range(len(loads) + 1)]
    nothing = [None] * len(loads)
    assert found["replaces"] == [loads[-1], *nothing]
    assert found["queues"] == [*loads, None]
    assert found["adds"] == [Load(sum(targets), 1), *nothing]
    assert found["refused"] == [loads[0], *nothing]
