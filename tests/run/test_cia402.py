"""
A drive of the open standard under the same session: two verbs over SDO, and positions that it pushes by itself.

The node is simulated from the standard's side; the values of statusword and position are facts.md C2, C3 and B7 (CiA
301 and CiA 402, tables from memory of the standards, cross-checked there with two libraries).
"""

import itertools
from dataclasses import replace
from io import StringIO

import pytest

from choreo.drive.families import make_drive
from choreo.drive.verbs import Status
from choreo.errors import MachineFault
from choreo.frame import Frame
from choreo.journal.writer import JournalWriter
from choreo.link.simulated import run_by_hand
from choreo.run.axes import Axis
from choreo.run.guard import Guard
from choreo.run.session import Session
from choreo.run.watch.watchers import Watch
from choreo.wire.cia402 import CIA402
from choreo_sim.bus import Bus
from choreo_sim.cia402_node import Cia402Node
from choreo_sim.kernel import Kernel
from choreo_sim.link import SimulatedLink
from tests.run.machine import DEMO, plan_of

MS = 1_000_000
NODE = 5


class Bench:
    """One node that moves at 1,000 counts a second, and a session with a watcher on it."""

    def __init__(self, event_timer_ms: int) -> None:
        kernel = Kernel()
        bus = Bus(kernel, 500_000)
        self.node = Cia402Node(kernel, bus, NODE, lambda t_ns: t_ns // MS, event_timer_ms=event_timer_ms)
        bus.attach("network master", lambda frame, t_ns: None).send(Frame(0x000, bytes([0x01, NODE])), 10 * MS)
        kernel.run_until(20 * MS)  # booted and started (NMT, facts.md B2) before the session begins
        link = SimulatedLink(kernel, bus)
        plan = plan_of(DEMO)
        limits = replace(plan.node_limits[2], node=NODE)
        guard = Guard({"cia402": CIA402}, [(limits, "cia402")])
        self.session = Session(link, guard, JournalWriter(None, StringIO()), ["carriage"])
        self.drive = make_drive(CIA402, NODE)
        self.axis = Axis(replace(plan.axes[2], index=0, node=NODE, dialect="cia402"), self.drive, 2**32)
        self.session.traffic.add_lane(self.drive.lane, 0, 20 * MS, self.drive.echo_ask)
        watch = Watch(self.session, [self.axis], [], {"cia402": CIA402})
        for identifier in self.drive.event_ids:
            self.session.traffic.listen(identifier, lambda frame: watch.hear(self.axis, frame))


def test_status_and_position_are_read_over_sdo_side_by_side():
    bench = Bench(event_timer_ms=0)
    status, position = run_by_hand(bench.session.run((0, bench.drive.status()), (0, bench.drive.read_position())))
    assert isinstance(status, Status)
    now_ms = bench.session.now() // MS
    assert now_ms - 5 <= position <= now_ms


def test_pushed_positions_enter_like_polled_ones():
    bench = Bench(event_timer_ms=10)
    run_by_hand(bench.session.sleep(205 * MS))
    assert 20 <= bench.axis.samples <= 21
    readings = list(bench.axis.readings)
    cycle_ns = CIA402.timing.cycle_ns  # a push is no question: it is as old as the drive's cycle, at the most
    assert all(reading.arrived_ns - reading.asked_ns == cycle_ns for reading in readings)
    assert [new.counts - old.counts for old, new in itertools.pairwise(readings)] == [10, 10, 10]
    assert 210 <= bench.axis.counts <= 225


def test_an_emergency_message_is_a_fault_of_the_axis_in_words():
    """facts.md B6 and C13: EMCY 0x8611 is the following error."""
    bench = Bench(event_timer_ms=0)
    bench.session.at(bench.session.now() + 5 * MS, lambda now: bench.node.fail(0x8611))
    with pytest.raises(MachineFault, match="carriage: the drive reports a fault"):
        run_by_hand(bench.session.sleep(50 * MS))
