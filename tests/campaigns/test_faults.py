"""
Every kind of fault at every step of the demonstration: a sample in the suite, all of it as a campaign.

    python -m tests.campaigns faults
"""

import os
from dataclasses import replace

import pytest

from choreo.errors import Exit
from choreo.trial.crew import Broke
from choreo_sim.fault_matrix import KINDS
from tests.run.machine import DEMO, plan_of

from . import faults
from .branching import branches, in_a_fork
from .cells import demo_cells, facts_of, steps_of
from .judging import complaints
from .verdicts import VERDICTS

SAMPLE = faults.sample()


def test_each_kind_of_fault_has_its_verdict():
    assert set(VERDICTS) == set(KINDS) == {cell.kind for cell in demo_cells()}
    assert all(verdict.why for verdict in VERDICTS.values())


def test_the_table_has_every_step_and_thousands_of_cells():
    cells = demo_cells()
    assert {cell.path for cell in cells} == {step.path for step in steps_of(plan_of(DEMO))}
    assert len(cells) > 5000
    assert len({str(cell) for cell in cells}) == len(cells)


def test_the_sample_has_every_kind():
    cells = [demo_cells()[number] for number in SAMPLE]
    assert {cell.kind for cell in cells} == set(KINDS)
    assert len({cell.path for cell in cells}) > len(KINDS) / 2


def test_every_kind_of_fault_at_one_of_the_steps():
    seen = 0
    for cell, facts, found in faults.run(SAMPLE, jobs=2):
        seen += 1
        assert not found, f"{cell}:\n" + "\n".join(found) + f"\n{cell.text}"
        assert facts is not None
    assert seen == len(SAMPLE)


def test_a_branch_is_the_run_with_its_fault_from_the_start():
    path = "12.1 (2 of 5)"
    kinds = ("stalled_axis", "load_lost_early", "adapter_lost", "silent_node", "noise_spike")
    cells = [next(cell for cell in demo_cells() if (cell.path, cell.kind) == (path, kind)) for kind in kinds]
    plan = plan_of(DEMO)
    for cell, branch in zip(cells, branches(plan, cells), strict=True):
        assert branch == facts_of(plan, cell), cell


def test_what_breaks_in_a_fork_is_told():
    def work() -> int:
        raise ZeroDivisionError("nothing left")

    assert in_a_fork(lambda: 7) == 7
    broke = in_a_fork(work)
    assert isinstance(broke, Broke)
    assert broke.headline == "ZeroDivisionError: nothing left"
    assert isinstance(in_a_fork(lambda: os._exit(3)), Broke)


def test_a_verdict_can_be_wrong():
    """The judge is no rubber stamp: a run held against another kind's verdict is found wrong."""
    plan = plan_of(DEMO)
    cell = next(cell for cell in demo_cells() if (cell.kind, cell.path, cell.axis) == ("drive_fault", "5", "lift"))
    facts = facts_of(plan, cell)
    assert facts.ending.exit == Exit.STOPPED
    assert complaints(plan, cell, facts) == []
    for other in ("duplicate_frame", "adapter_lost", "load_lost_early", "silent_node"):
        acted = tuple((t_ns, other, what) for t_ns, _, what in facts.acted)
        assert complaints(plan, replace(cell, kind=other), replace(facts, acted=acted)), other
    assert complaints(plan, replace(cell, axis="carriage"), facts)
    ending = replace(facts.ending, damage=("lift ran into its buffer",), restless=("lift",))
    spoilt = replace(facts, ending=ending, after_the_last_stop=("starts",), next_actions={}, all_told=False)
    assert len(complaints(plan, cell, spoilt)) == 5


@pytest.mark.campaign
def test_every_kind_of_fault_at_every_step():
    wrong = []
    for cell, _, found in faults.run(range(len(demo_cells())), jobs=2):
        if found:
            wrong.append(f"{cell}: {'; '.join(found)}")
    assert not wrong, f"{len(wrong)} cells:\n" + "\n".join(wrong[:50])
