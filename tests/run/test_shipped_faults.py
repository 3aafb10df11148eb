"""
Every fault file that ships ends as it should. Those whose end is looked at more closely are in `test_fault_kinds.py`.
"""

import pytest

from choreo.errors import Exit
from choreo_sim.fault_kinds import KINDS
from choreo_sim.faults import OTHERS
from choreo_sim.yaml_tree import read_tree
from tests.run.machine import GANTRY, Rehearsal, assert_ended_safely
from tests.run.test_fault_kinds import CASES, SURVIVED

#: How each ends; what is not listed ends with exit code 3.
ENDS = {
    "adapter_lost": Exit.LINK,
    "duplicate_frame": Exit.DONE,
    "input_flickers": Exit.DONE,  # the demonstration names no interlock; see test_fault_inputs.py
    "input_lost": Exit.DONE,
    "lost_reply": Exit.DONE,
    "lost_request": Exit.DONE,
    "nodes_lost_apart": Exit.LINK,
    "stale_load": Exit.DONE,
}
FILES = sorted((GANTRY / "faults").glob("*.yaml"))
ELSEWHERE = {case.file for case in CASES} | set(SURVIVED)
HERE = [file for file in FILES if file.stem not in ELSEWHERE]


@pytest.mark.parametrize("file", HERE, ids=[file.stem for file in HERE])
def test_a_shipped_fault(file):
    done = Rehearsal(faults=file).go()
    assert done.link.machine.fired, "the fault never acted"
    assert done.outcome.exit is ENDS.get(file.stem, Exit.STOPPED), done.outcome.headline
    if done.outcome.exit is not Exit.DONE:
        assert done.outcome.step is not None
        assert_ended_safely(done)


def test_there_is_a_file_for_every_kind():
    entries = [entry for file in FILES for entry in read_tree(file).mapping().get("faults", read_tree(file)).value]
    shown = {entry.need("kind").text() for entry in entries if not isinstance(entry, str)}
    assert shown == {*KINDS, *OTHERS}


def test_every_file_that_is_looked_at_elsewhere_ships():
    assert {file.stem for file in FILES} >= ELSEWHERE
