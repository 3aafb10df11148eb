"""What is drawn from the seed: the same for the same seed, said outright, and the same again when it is said."""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from choreo.errors import RecipeError
from choreo.link.port import SimulationRequest
from choreo_sim.bus import Bus
from choreo_sim.fault_draw import draw
from choreo_sim.fault_entry import Workshop
from choreo_sim.fault_kinds import KINDS
from choreo_sim.fault_node_text import flow
from choreo_sim.fault_pin import Steps
from choreo_sim.fault_samples import OF_ALL, OF_AXIS, Subject, sample
from choreo_sim.fault_vary import vary
from choreo_sim.faults import OTHERS, FaultFile
from choreo_sim.kernel import Kernel
from choreo_sim.machine import Machine, build
from choreo_sim.machine_file import find_machine, read_machine
from choreo_sim.yaml_tree import tree_of

ALL = (*KINDS, *OTHERS)
TRUTH = read_machine(find_machine("kiln_gantry"))


def machine(folder: Path, text: str, seed: int = 0) -> Machine:
    path = folder / "faults.yaml"
    path.write_text(text, encoding="utf-8")
    kernel = Kernel()
    return build(kernel, Bus(kernel, 500_000), SimulationRequest("kiln_gantry", (), 500_000, seed, path))


def drawn(folder: Path, text: str, seed: int = 0) -> tuple[str, ...]:
    script = machine(folder, text, seed).script()
    assert script is not None
    return script.drawn


def test_the_same_seed_draws_the_same_and_others_draw_others(tmp_path):
    text = "draw: {kinds: all, axes: all, count: 3, within: [0 s, 90 s]}\n"
    seeds = [drawn(tmp_path, text, seed) for seed in range(20)]
    assert seeds == [drawn(tmp_path, text, seed) for seed in range(20)]
    assert len(set(seeds)) == 20
    assert {len(entries) for entries in seeds} == {3}


def test_only_what_was_named_is_drawn(tmp_path):
    text = "draw: {kinds: [lost_reply, silent_node], axes: [lift, carriage], count: 5, within: [2 s, 3 s]}\n"
    for seed in range(20):
        for entry in drawn(tmp_path, text, seed):
            node = tree_of(f"entry: {entry}\n", "entry").need("entry")
            assert node.need("kind").text() in ("lost_reply", "silent_node")
            assert node.need("axis").text() in ("lift", "carriage")
            assert 2_000_000_000 <= node.need("at").time_ns() <= 3_000_000_000


def test_it_may_be_pinned_to_one_of_several_steps(tmp_path):
    text = 'draw: {kinds: all, count: 10, steps: ["9.3 (2 of 5)", home], within: [0 s, 1 s]}\n'
    steps = set()
    for entry in drawn(tmp_path, text, 4):
        node = tree_of(f"entry: {entry}\n", "entry").need("entry")
        steps.add(node.need("step").text())
        assert 0 <= node.need("after").time_ns() <= 1_000_000_000
    assert steps == {"9.3 (2 of 5)", "home"}


def test_a_count_may_be_a_range(tmp_path):
    text = "draw: {kinds: all, count: [0, 2], within: [0 s, 9 s]}\n"
    assert {len(drawn(tmp_path, text, seed)) for seed in range(40)} == {0, 1, 2}


def test_every_kind_can_be_drawn_and_read_back(tmp_path):
    assert {*OF_AXIS, *OF_ALL} == set(ALL)
    for kind in ALL:
        for seed in range(3):
            (entry,) = drawn(tmp_path, f"draw: {{kinds: {kind}, axes: lift, within: [1 s, 2 s]}}\n", seed)
            assert machine(tmp_path, f"faults:\n  - {entry}\n").script().idle in ((entry,), ())


def test_what_was_drawn_can_be_said_outright(tmp_path):
    text = (
        "title: something drawn\n"
        "draw: {kinds: all, count: 4, within: [0 s, 9 s]}\n"
        "vary: {reply: [1/2, 2], start: [-20 mm, 20 mm], noise: [0 counts, 9 counts], encoder: [-9 counts, 9 counts]}\n"
        "faults:\n  - {kind: lost_reply, node: 13}\n"
    )
    first = machine(tmp_path, text, 5)
    said = first.script().explicit
    assert "draw" not in tree_of(said, "said").mapping()
    again = machine(tmp_path, said, 99)
    assert again.script().explicit == said
    assert again.truth == first.truth
    assert [entry for entry, _ in again.faults.entries] == [entry for entry, _ in first.faults.entries]


@given(seed=st.integers(0, 10**6))
def test_both_sides_of_a_beam_start_as_far_apart_as_they_did(seed):
    node = tree_of("vary: {start: [-20 mm, 20 mm]}\n", "vary").need("vary")
    varied, told = vary(node, TRUTH, seed)
    left, right, carriage, _ = varied.axes
    assert right.start - left.start == TRUTH.axes[1].start - TRUTH.axes[0].start
    assert abs(left.start - TRUTH.axes[0].start) <= 20
    assert abs(carriage.start - TRUTH.axes[2].start) <= 20
    assert len(told) == 4


@given(seed=st.integers(0, 10**6))
def test_what_varies_stays_within_its_range(seed):
    text = "{reply: [1/2, 2], friction: [0.5, 2], lag: [0.9, 1.1], noise: [1 counts, 5 counts], edge: [0 mm, 1/5 mm]}"
    varied, _ = vary(tree_of(f"vary: {text}\n", "vary").need("vary"), TRUTH, seed)
    for axis, was in zip(varied.axes, TRUTH.axes, strict=True):
        assert 0.5 <= axis.reply_factor <= 2
        assert 0.5 <= axis.friction / was.friction <= 2
        assert 0.9 * was.lag_ns - 1 <= axis.lag_ns <= 1.1 * was.lag_ns + 1
        assert 1 <= axis.noise_counts <= 5
        assert 0 <= axis.home[0].edge - was.home[0].edge <= 0.2


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ("draw: {kinds: all}", "`within` is missing here"),
        ("draw: {kinds: [lost_repyl], within: [0 s, 1 s]}", "did you mean 'lost_reply'"),
        ("draw: {kinds: all, axes: [lfit], within: [0 s, 1 s]}", "did you mean 'lift'"),
        ("draw: {kinds: all, within: [2 s, 1 s]}", "not above the second"),
        ("draw: {kinds: all, within: [1 s]}", "two times"),
        ("draw: {kinds: all, count: 1000, within: [0 s, 1 s]}", "1000 is outside 0 to"),
        ("draw: {kinds: all, count: [3, 1], within: [0 s, 1 s]}", "not above the second"),
        ("draw: {kinds: brake_slips, axes: carriage, within: [0 s, 1 s]}", "carriage has no brake"),
        ("draw: {kinds: [], within: [0 s, 1 s]}", "at least one is needed"),
        ("vary: {reply: [2, 1]}", "not above the second"),
        ("vary: {friction: 0}", "must be above zero"),
        ("vary: {noise: [-1 counts, 1 counts]}", "cannot be negative"),
        ("vary: {start: 3}", "needs a number and a unit"),
        ("vary: {startt: 3 mm}", "did you mean 'start'"),
        ("vary: {axes: [lfit], start: 3 mm}", "did you mean 'lift'"),
        ("title: nothing", "'faults' is missing here"),
    ],
)
def test_what_a_draw_may_not_say(tmp_path, text, complaint):
    with pytest.raises(RecipeError, match=r"^faults\.yaml:1:\d+  ") as caught:
        machine(tmp_path, text + "\n")
    assert complaint in caught.value.headline


def test_a_sample_of_an_axis_that_has_not_what_it_is_about_is_none():
    carriage, lift = (Subject.of(axis) for axis in TRUTH.axes[2:])
    assert sample("brake_slips", carriage, {"at": "1 s"}) is None
    assert sample("input_lost", lift, {"at": "1 s"}) is None
    assert sample("silent_node", lift, {"at": "1 s"}) == "{kind: silent_node, axis: lift, at: 1 s}"


@given(seed=st.integers(0, 10**6), count=st.integers(0, 5))
def test_an_entry_in_one_line_reads_back_as_the_same(seed, count):
    kernel = Kernel()
    bus = Bus(kernel, 500_000)
    whole = build(kernel, bus, SimulationRequest("kiln_gantry", (), 500_000))
    shop = Workshop(kernel, bus, whole.drives, [], Steps(kernel), seed)
    text = f'draw: {{kinds: all, count: {count}, steps: ["9.3 (2 of 5)", "it: is", "a \\"b\\""], within: [0 s, 9 s]}}\n'
    for node in draw(tree_of(text, "draw").need("draw"), shop, ALL):
        again = tree_of(f"entry: {flow(node)}\n", "entry").need("entry")
        assert flow(again) == flow(node)


def test_a_file_that_draws_nothing_is_a_file_too(tmp_path):
    path = tmp_path / "faults.yaml"
    path.write_text("vary: {lag: 1}\n")
    assert FaultFile(path, 0).vary(TRUTH) == TRUTH
