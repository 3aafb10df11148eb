"""The table of every kind of fault at every step: its cells are fault files that can be read, or say why not."""

import pytest

from choreo.link.port import SimulationRequest
from choreo_sim.bus import Bus
from choreo_sim.fault_kinds import KINDS
from choreo_sim.fault_matrix import KINDS as IN_TABLE
from choreo_sim.fault_matrix import Matrix, Step
from choreo_sim.faults import OTHERS
from choreo_sim.kernel import Kernel
from choreo_sim.machine import build
from choreo_sim.machine_file import find_machine, read_machine

AXES = ("beam_left", "beam_right", "carriage", "lift")
STEPS = [
    Step("1", "link_check", AXES),
    Step("2", "enable", ("lift",)),
    Step("3", "home", ("lift",)),
    Step("4.1 (1 of 2)", "trigger", ("carriage",)),
    Step("closing 1", "disable", AXES),
]


@pytest.fixture(scope="module")
def matrix() -> Matrix:
    return Matrix(read_machine(find_machine("kiln_gantry")), STEPS)


def test_every_kind_is_in_the_table():
    assert set(IN_TABLE) == {*KINDS, *OTHERS}


def test_every_cell_that_is_not_empty_is_a_fault_file_that_can_be_read(matrix, tmp_path):
    cells = list(matrix.cells())
    assert {kind for kind, _, _ in cells} == set(IN_TABLE)
    path = tmp_path / "faults.yaml"
    for kind, step, axis in cells:
        text = matrix.entries(kind, step, axis)
        assert text is not None
        path.write_text(text)
        kernel = Kernel()
        request = SimulationRequest("kiln_gantry", (), 500_000, faults=path)
        script = build(kernel, Bus(kernel, 500_000), request).script()
        assert script is not None
        assert len(script.idle) == (2 if kind == "runaway_after_stop" else 1), "it waits for its step"


@pytest.mark.parametrize(
    ("kind", "step", "axis", "why"),
    [
        ("brake_slips", "2", "carriage", "carriage has no brake"),
        ("input_lost", "2", "beam_right", "nothing is wired to an input of beam_right"),
        ("trigger_stuck", "2", None, "enable does nothing that trigger_stuck could meet"),
        ("wrong_direction", "3", "carriage", "step 3 has nothing to do with carriage"),
        ("moves_unasked", "2", "lift", "lift has no power at step 2"),
        ("foreign_stop", "2", "lift", "foreign_stop is of no single axis"),
        ("silent_node", "2", None, "silent_node is of one axis"),
    ],
)
def test_an_empty_cell_says_why(matrix, kind, step, axis, why):
    assert matrix.entries(kind, step, axis) is None
    assert matrix.why_not(kind, step, axis) == why


def test_what_is_not_known_is_no_empty_cell(matrix):
    for kind, step, axis in (("hunger", "2", "lift"), ("silent_node", "99", "lift"), ("silent_node", "2", "lfit")):
        with pytest.raises(KeyError):
            matrix.entries(kind, step, axis)


def test_after_says_when_in_the_step(matrix):
    assert "after: 250 ms" in matrix.entries("stalled_axis", "4.1 (1 of 2)", "carriage", "250 ms")
