"""Every fault file that ships does what its title says, and ends as it should."""

import pytest

from choreo.errors import Exit
from tests.run.machine import GANTRY, Rehearsal, assert_ended_safely

#: How each ends; what is not listed ends with exit code 3.
ENDS = {
    "adapter_lost": Exit.LINK,
    "duplicate_frame": Exit.DONE,
    "lost_reply": Exit.DONE,
    "lost_request": Exit.DONE,
    "stale_load": Exit.DONE,
}
FILES = sorted((GANTRY / "faults").glob("*.yaml"))


@pytest.mark.parametrize("file", FILES, ids=[file.stem for file in FILES])
def test_a_shipped_fault(file):
    done = Rehearsal(faults=file).go()
    assert done.link.machine.fired, "the fault never acted"
    assert done.outcome.exit is ENDS.get(file.stem, Exit.STOPPED), done.outcome.headline
    if done.outcome.exit is not Exit.DONE:
        assert done.outcome.step is not None
        assert_ended_safely(done)


def test_all_of_the_first_set_ship():
    names = {file.stem for file in FILES}
    assert {
        "lost_request", "lost_reply", "data_error_reply", "silent_node", "stalled_axis", "load_lost", "stale_load"
    } <= names  # fmt: skip
