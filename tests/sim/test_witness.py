"""The truth that a simulated link tells, and the witness of a beam's largest skew."""

from pathlib import Path

import pytest

from choreo.link.port import SimulationRequest, Truthful
from choreo_sim.link import open_simulated
from tests.run.machine import Rehearsal

MS = 1_000_000
UNNOTICED = "{kind: stalled_axis, node: 12, at_speed: 240 mm/s, unnoticed: true}"


def faults(tmp_path: Path, *entries: str) -> Path:
    file = tmp_path / "faults.yaml"
    file.write_text("faults:\n" + "".join(f"  - {entry}\n" for entry in entries))
    return file


def test_the_truth_of_a_machine_at_rest():
    link = open_simulated(SimulationRequest("kiln_gantry", (), 500_000))
    assert isinstance(link, Truthful)
    truth = link.truth()
    assert truth.t_ns == 0
    assert set(truth.positions) == {11, 12, 13, 14}
    assert truth.positions[13] == pytest.approx(link.machine.position("carriage"))
    assert truth.skews == {(11, 12): pytest.approx(abs(truth.positions[11] - truth.positions[12]))}
    assert truth.damage == truth.faults == ()
    assert link.truth(after_ns=5 * MS).t_ns == 5 * MS


def test_the_largest_skew_is_that_of_every_instant(tmp_path: Path):
    """Against a look at every millisecond of the whole run; between two looks of its own nothing is missed."""
    rehearsal = Rehearsal(faults=faults(tmp_path, UNNOTICED))
    link = rehearsal.link
    seen = [abs(link.machine.skew("beam"))]

    def look(_: object) -> None:
        seen.append(abs(link.machine.skew("beam")))
        link.kernel.after(MS, look)

    link.kernel.at(MS, look)
    link.truth()
    done = rehearsal.go()
    most = link.truth().skews[(11, 12)]
    assert done.outcome.exit == 3
    assert max(seen) > 5
    assert most == pytest.approx(max(seen), abs=0.05)
    assert most >= max(seen) - 0.05


def test_a_witness_changes_nothing(tmp_path: Path):
    file = faults(tmp_path, UNNOTICED)
    alone = Rehearsal(faults=file).go()
    watched = Rehearsal(faults=file)
    watched.link.truth()
    assert watched.go().journal == alone.journal


def test_faults_and_damage_are_told_with_their_times(tmp_path: Path):
    rehearsal = Rehearsal(faults=faults(tmp_path, "{kind: silent_node, node: 13, at: 2 s}"))
    rehearsal.go()
    (fault,) = rehearsal.link.truth().faults
    assert (fault.t_ns, fault.kind, fault.axis) == (2_000_000_000, "silent_node", "carriage")
