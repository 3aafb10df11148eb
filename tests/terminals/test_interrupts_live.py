"""
Ctrl-C at random moments of runs in real time, through python-can's own driver and a pseudo-terminal.

In every one a stop reaches every node, nothing moves after it, and the exit code is that of an operator's stop
(practice.md P13 to P17, common practice, no source). Twenty here, 200 behind the marker.
"""

import io
import json
import os
import random
import signal

import pytest

from choreo.api import check, simulation_request
from choreo.errors import Exit
from choreo.frame import Frame
from choreo.journal import JournalWriter
from choreo.link.supervise import run_live
from choreo.run.executor import perform
from choreo.run.live import Live
from choreo_sim.machine import build
from live.bench import SerialBench
from terminals.terminals import SLIDES

SECOND = 1_000_000_000
START, GIVE_POWER, RELEASE = Frame(0x040, b"\x51"), b"\x31\x01", b"\x32\x00"
STOPS = {0x020, 0x023, 0x029}
#: Records and readings of a run into the first move; an interrupt comes at one of them.
MOMENTS = 160


def moves_something(frame):
    """Whether a frame of the host's starts, loads, resets a fault, gives power or releases a brake."""
    if not 0x140 < frame.id < 0x160:
        return frame.same_bits(START)
    return frame.data[0] in (0x33, 0x41, 0x42) or frame.data in (GIVE_POWER, RELEASE)


def interrupted(moment):
    """A run that is interrupted when its journal has so many lines, once more while it stops; what the bus saw."""
    plan = check(SLIDES).plan
    bench = SerialBench(plan.bit_rate)
    machine = build(bench.kernel, bench.bus, simulation_request(plan))
    sent = []
    bench.bus.taps.append(lambda frame, t_ns, sender: sent.append(frame) if sender == "host" else None)
    lines = 0

    def count(*_):
        nonlocal lines
        lines += 1
        if lines in (moment, moment + 3):
            os.kill(os.getpid(), signal.SIGINT)

    text = io.StringIO()
    with bench.linked() as link:
        journal = JournalWriter(None, text, observer=count, sample_observer=count)
        live = Live("word", armed="a test")
        outcome = run_live(lambda: perform(plan, link, journal, mode="live", seed=None, live=live), link)
        bench.realtime.call(lambda: None)
    records = [json.loads(line) for line in text.getvalue().splitlines() if line.startswith("{")]
    return outcome, records, sent, machine, bench.kernel.now_ns


def judge(moment):
    outcome, records, sent, machine, over_ns = interrupted(moment)
    assert outcome.exit is Exit.OPERATOR, outcome.headline
    assert records[-1]["k"] == "end"
    assert records[-1]["exit"] == 130
    places = [place for place, frame in enumerate(sent) if 0x020 <= frame.id < 0x040]
    assert {sent[place].id for place in places} >= STOPS, "a node was not told to stop"
    assert [frame.text() for frame in sent[places[-1] :] if moves_something(frame)] == []
    for name, axis in machine.axes.items():
        assert axis.position(over_ns) == pytest.approx(axis.position(over_ns + SECOND), abs=0.01), name
    assert {record["axis"] for record in records if record["k"] in ("at_rest", "unproven")} == set(machine.axes)


@pytest.mark.parametrize("moment", sorted(random.Random(2026).sample(range(2, MOMENTS), 20)))
def test_a_stop_reaches_every_node_whenever_it_is_asked_for(moment):
    judge(moment)


@pytest.mark.campaign
@pytest.mark.parametrize("moment", sorted(random.Random(402).sample(range(2, 4 * MOMENTS), 200)))
def test_two_hundred_moments(moment):
    judge(moment)
