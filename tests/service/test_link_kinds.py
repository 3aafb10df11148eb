"""Drives that number their frames themselves, and drives of the open standard, which have no echo."""

from dataclasses import replace
from pathlib import Path

import pytest

from choreo.frame import Frame
from choreo.link.simulated import run_by_hand
from choreo.service.link_check import Wanted, check_link
from choreo.service.link_verdict import judge
from choreo.wire.cia402 import CIA402
from choreo_sim.bus import Bus
from choreo_sim.cia402_node import Cia402Node
from choreo_sim.kernel import Kernel
from choreo_sim.link import SimulatedLink
from tests.drive.variants import numbered, text
from tests.service.checking import ROOT, SECOND, SLIDES, faulty, machine, run

MS = 1_000_000
TABLE = ROOT / "recipes" / "index_table" / "machine.yaml"  # its drives number what they send of themselves


def test_a_drive_that_counts_its_own_frames_and_misses_none():
    checked = run(path=TABLE)
    assert [(node.skipped, node.repeated) for node in checked.report.nodes] == [(0, 0), (0, 0)]
    assert checked.verdict.good


@pytest.fixture
def numbering(tmp_path: Path) -> Path:
    """Two slides whose drives number every frame that they send, in 8 bits."""
    (tmp_path / "numbering.yaml").write_text(numbered(text(), 8, echoed=False), encoding="utf-8")
    recipe = tmp_path / "slides.yaml"
    recipe.write_text(SLIDES.read_text(encoding="utf-8").replace("dialect: short_frame", "dialect: ./numbering.yaml"))
    return recipe


def test_frames_that_are_missing_by_the_drive_s_own_count(numbering: Path):
    # What a drive sent and nobody heard is shown by its own count alone (P35).
    def before(link):
        def lose(_):
            link.machine.drives["far_slide"]._count += 2

        link.kernel.at(3 * SECOND, lose)

    checked = run(path=numbering, before=before)
    near, far = checked.node("near_slide"), checked.node("far_slide")
    assert (near.skipped, near.repeated, near.lost) == (0, 0, 0)
    assert (far.skipped, far.repeated, far.lost) == (2, 0, 0)
    assert not checked.verdict.good
    assert any("far_slide (node 9): 2 frames skipped by its own count." in word for word in checked.verdict.words)
    assert any("120 ohm" in hint for hint in checked.verdict.hints)


def test_a_numbered_frame_that_comes_twice(numbering: Path, tmp_path: Path):
    fault = "kind: duplicate_reply, node: 9, message: echo, nth: 30"
    checked = run(path=numbering, request=faulty(tmp_path, fault, path=numbering))
    far = checked.node("far_slide")
    assert (far.repeated, far.doubled, far.skipped, far.lost) == (1, 1, 0, 0)
    assert not checked.verdict.good


def standard_nodes(*nodes: int) -> SimulatedLink:
    """A bus with started nodes of the open standard (facts.md B2), and the host's link."""
    kernel = Kernel()
    bus = Bus(kernel, 500_000)
    master = bus.attach("network master", lambda frame, t_ns: None)
    for place, node in enumerate(nodes):
        Cia402Node(kernel, bus, node, lambda t_ns: t_ns // MS, event_timer_ms=0)
        master.send(Frame(0x000, bytes([0x01, node])), (10 + place) * MS)
    kernel.run_until(30 * MS)
    return SimulatedLink(kernel, bus)


def test_a_drive_without_an_echo_is_read_instead():
    usual = machine()[0]
    axis = replace(usual.axes[0], node=5, dialect="cia402")
    plan = replace(
        usual, axes=(axis,), dialects={"cia402": CIA402}, node_limits=(replace(usual.node_limits[0], node=5),)
    )
    link = standard_nodes(5, 6)
    sent: list[Frame] = []
    link.bus.taps.append(lambda frame, t_ns, sender: sent.append(frame) if sender == "host" else None)
    report = run_by_hand(check_link(plan, link, Wanted(exchanges=100)))
    (node,) = report.nodes
    assert (node.what, node.exchanges, node.lost, node.wrong) == ("readings of the position", 100, 0, 0)
    assert [(one.node, one.answered) for one in report.strangers] == [(6, True)]
    assert report.asked_others == 126
    assert judge(report).good
    # Every request is an SDO upload of 6064h (facts.md B8, C6): 40h, the index low byte first.
    assert {frame.data[:4] for frame in sent} == {b"\x40\x64\x60\x00"}
    assert {frame.id for frame in sent} == {0x600 + node for node in range(1, 128)}
