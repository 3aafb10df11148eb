"""When a fault begins: at a time, with a step, so long after it; and what a file may not say about it."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from choreo.errors import RecipeError
from choreo_sim.fault_pin import Steps, names
from choreo_sim.kernel import Kernel
from tests.sim.test_faults import MS, Gantry

ECHO = ("11 05", "91 05")


def begin(gantry: Gantry, path: str, label: str = "", verb: str = "move") -> None:
    gantry.machine.step_begins(path, label, verb)


def echo(gantry: Gantry) -> bool:
    return gantry.ask(ECHO[0]) == ECHO[1]


@pytest.mark.parametrize(
    ("step", "path", "label", "verb"),
    [
        ("9", "9", "", "move"),
        ("9", "9.3 (1 of 5)", "", "move"),
        ("9.3", "9.3 (1 of 5)", "", "move"),
        ('"9.3 (2 of 5)"', "9.3 (2 of 5)", "", "move"),
        ("closing", "closing 1", "", "disable"),
        ("home", "4", "", "home"),
        ("Lift down", "13", "lift down", "move"),
    ],
)
def test_a_step_is_named_by_its_path_its_label_or_its_verb(tmp_path, step, path, label, verb):
    gantry = Gantry(tmp_path, f"kind: lost_reply, axis: carriage, message: echo, step: {step}")
    assert echo(gantry)
    begin(gantry, path, label, verb)
    assert not echo(gantry)
    assert echo(gantry)


@pytest.mark.parametrize("path", ["19", "9.31 (1 of 5)", "93", "9.2", "1.9"])
def test_another_step_is_not_meant(tmp_path, path):
    gantry = Gantry(tmp_path, 'kind: lost_reply, axis: carriage, message: echo, step: "9.3"')
    begin(gantry, path, "9.3x")
    assert echo(gantry)


def test_the_first_step_that_fits_is_meant_and_no_other(tmp_path):
    gantry = Gantry(tmp_path, "kind: lost_reply, axis: carriage, message: echo, step: move")
    for path in ("1", "2", "3"):
        begin(gantry, path)
    assert [echo(gantry) for _ in range(3)] == [False, True, True]


def test_after_counts_from_the_beginning_of_the_step(tmp_path):
    gantry = Gantry(tmp_path, "kind: silent_node, axis: carriage, step: 4, after: 200 ms")
    begin(gantry, "4")
    gantry.wait(195 * MS)
    assert gantry.fired() == []
    gantry.wait(10 * MS)
    assert gantry.fired() == [("silent_node", "carriage")]
    assert gantry.machine.fired[0].t_ns == 200 * MS


def test_the_nth_counts_from_the_step_on(tmp_path):
    gantry = Gantry(tmp_path, "kind: lost_reply, axis: carriage, message: echo, step: 4, nth: 2, times: 1")
    assert [echo(gantry) for _ in range(3)] == [True] * 3
    begin(gantry, "4")
    assert [echo(gantry) for _ in range(3)] == [True, False, True]


def test_a_frame_fault_waits_for_its_step_too(tmp_path):
    gantry = Gantry(tmp_path, "kind: corrupt_frame, axis: carriage, message: echo, step: 4")
    assert echo(gantry)
    assert gantry.fired() == []
    begin(gantry, "4")
    assert echo(gantry), "the bus sends it again"
    assert gantry.fired() == [("corrupt_frame", "carriage")]


def test_a_fault_whose_step_never_comes_is_said_to_be_idle(tmp_path):
    gantry = Gantry(tmp_path, 'kind: silent_node, axis: carriage, step: "99"', "kind: lost_reply, node: 13")
    begin(gantry, "1")
    echo(gantry)
    script = gantry.machine.script()
    assert script.idle == ("{kind: silent_node, axis: carriage, step: 99}",)
    assert [one.kind for one in script.acted] == ["lost_reply"]


@pytest.mark.parametrize(
    ("fault", "complaint"),
    [
        ("kind: silent_node, node: 13, step: 4, at: 1 s", "`step` and `at` exclude each other"),
        ("kind: silent_node, node: 13, at: 1 s, after: 1 s", "none is given"),
        ("kind: silent_node, node: 13, axis: carriage, at: 1 s", "two words for the same"),
        ("kind: silent_node, axis: carrige, at: 1 s", "'carrige' is no node of this machine"),
        ("kind: nodes_lost, nodes: all, supply: power", "'at' is missing here"),
        ("kind: nodes_lost, nodes: [13, 99], supply: power, at: 1 s", "'99' is no node of this machine"),
        ("kind: nodes_lost, nodes: some, supply: power, at: 1 s", "'some' is not known here"),
        ("kind: bus_off, node: hots, at: 1 s", "'hots' is no node of this machine"),
        ("kind: brake_slips, node: 13, speed: 5 mm/s, at: 1 s", "carriage has no brake"),
        ("kind: foreign_command, node: 13, message: mvoe, at: 1 s", "did you mean 'move'"),
        ("kind: foreign_stop, message: start, at: 1 s", "'start' is not known here"),
        ("kind: forged_event, node: 13, event: bot, at: 1 s", "did you mean 'boot'"),
        ("kind: forged_reply, node: 13, message: start, at: 1 s", "'start' is not known here"),
        ("kind: error_frames, count: few, at: 1 s", "is not a whole number"),
        ("kind: late_reply, node: 13, message: echo", "'by' is missing here"),
        ("kind: runaway, node: 13, at: 1 s", "'speed' is missing here"),
        ("kind: input_lost, node: 13, input: input_9, at: 1 s", "did you mean 'input_5'"),
        ("kind: input_flickers, node: 13, input: input_1, at: 1 s, lasts: 40 ms, every: 30 ms", "shorter than"),
    ],
)
def test_what_an_entry_may_not_say(tmp_path, fault, complaint):
    with pytest.raises(RecipeError, match=r"^faults\.yaml:2:\d+  ") as caught:
        Gantry(tmp_path, fault)
    assert complaint in caught.value.headline


@given(number=st.integers(1, 99), turn=st.integers(1, 9), turns=st.integers(1, 9), other=st.integers(1, 999))
def test_a_path_names_itself_and_its_beginnings_and_nothing_else(number, turn, turns, other):
    path = f"{number}.{turn} ({turn} of {turns})"
    assert names(path, path, "", "move")
    assert names(str(number), path, "", "move")
    assert names(f"{number}.{turn}", path, "", "move")
    assert names(str(other), path, "", "move") == (other == number)


def test_two_faults_of_one_step_begin_in_the_order_of_the_file():
    kernel = Kernel()
    steps, begun = Steps(kernel), []
    for name in ("first", "second"):
        steps.pin("3", 0).then(lambda name=name: begun.append(name))
    steps.begins("3", "", "dwell")
    assert begun == ["first", "second"]
    assert not steps.waiting
