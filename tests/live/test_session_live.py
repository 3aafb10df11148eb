"""
The session over a real driver: the same coroutine as in a dry-run, through python-can's `slcan` and a pseudo-terminal.

One preload, one start trigger and one wait on two simulated axes; then the operator's Ctrl-C in the middle of the
motion, an adapter that falls silent, and one that is unplugged. What must be so after each: practice.md P13 to P17
(common practice, no source). Frames are those of the shipped dialect, read from its file by eye: 0x020 stops, 0x040
starts, 0x140 and up are requests.
"""

import io
import json
import os
import signal
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pytest

from choreo.api import check, simulation_request
from choreo.errors import Exit
from choreo.frame import Frame
from choreo.journal import JournalWriter
from choreo.link.outbox import IN_ADAPTER
from choreo.link.supervise import run_live
from choreo.link.trace import TraceLink, read_trace
from choreo.plan.model import AxisMove, Plan, Preload, Trigger
from choreo.run.executor import Outcome, perform
from choreo.run.steps import motion
from choreo_sim.machine import Machine, build
from live.bench import SerialBench

RECIPE = Path(__file__).parent / "two_slides.yaml"
SECOND = 1_000_000_000
START = Frame(0x040, b"\x51")


def patient(plan: Plan, reply_timeout_ns: int) -> Plan:
    """
    The same plan with limits for a computer that is busy with other things.

    The plan's own are those of a bus; here a simulated machine, its adapter and the session share two cores, and an
    outcome must not depend on how the cores are shared.
    """

    def ease(move: AxisMove) -> AxisMove:
        return replace(move, onset_ns=10 * SECOND)

    steps = []
    for step in (*plan.steps, *plan.closing):
        action = step.action
        if isinstance(action, Preload | Trigger):
            action = replace(action, moves=tuple(ease(move) for move in action.moves))
        steps.append(replace(step, action=action, timeout_ns=step.timeout_ns + 20 * SECOND))
    axes = tuple(replace(axis, reply_timeout_ns=reply_timeout_ns) for axis in plan.axes)
    count = len(plan.steps)
    return replace(plan, axes=axes, steps=tuple(steps[:count]), closing=tuple(steps[count:]))


@dataclass
class Ended:
    """A live run that is over, with what the bus saw of it."""

    plan: Plan
    outcome: Outcome
    records: list[dict[str, Any]]
    sent: list[Frame]  # what the host put on the bus
    machine: Machine
    over_ns: int  # the simulation's time at the end
    trace: str

    def of(self, kind: str) -> list[dict[str, Any]]:
        return [record for record in self.records if record["k"] == kind]


def run(watch: Callable[[SerialBench, str], None], *, reply_timeout_ns: int = 10 * SECOND) -> Ended:
    """Run the recipe live; `watch(bench, kind)` is called with the kind of each journal record, in the session."""
    plan = check(RECIPE).plan
    assert plan is not None
    plan = patient(plan, reply_timeout_ns)
    bench = SerialBench(plan.bit_rate)
    machine = build(bench.kernel, bench.bus, simulation_request(plan))
    sent: list[Frame] = []
    bench.bus.taps.append(lambda frame, t_ns, sender: sent.append(frame) if sender == "host" else None)
    text, trace = io.StringIO(), io.StringIO()
    with bench.linked() as link:
        journal = JournalWriter(None, text, observer=lambda kind, t_ns, fields: watch(bench, kind))
        traced = TraceLink(link, trace)
        outcome = run_live(lambda: perform(plan, traced, journal, mode="live", seed=0), link)
        traced.close()
        bench.realtime.call(lambda: None)  # what has left the link has reached the bus
    records = [json.loads(line) for line in text.getvalue().splitlines() if line.startswith("{")]
    return Ended(plan, outcome, records, sent, machine, bench.kernel.now_ns, trace.getvalue())


@pytest.fixture(autouse=True)
def patient_trigger(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(motion, "TRIGGER_LEAVES_WITHIN_NS", 10 * SECOND)


def moves_something(frame: Frame) -> bool:
    """Whether a frame of the host's starts, moves, loads, resets a fault, gives power or releases a brake."""
    if not 0x140 < frame.id < 0x160:
        return frame.same_bits(START)
    give_power, release_brake = b"\x31\x01", b"\x32\x00"
    return frame.data[0] in (0x33, 0x41, 0x42) or frame.data in (give_power, release_brake)


def assert_nothing_moves_after_the_stop(ended: Ended) -> None:
    stops = [place for place, frame in enumerate(ended.sent) if 0x020 <= frame.id < 0x040]
    assert stops, "no stop was sent"
    assert any(moves_something(frame) for frame in ended.sent[: stops[0]])
    assert [frame.text() for frame in ended.sent[stops[0] :] if moves_something(frame)] == []


def test_preload_trigger_and_wait_over_the_line() -> None:
    ended = run(lambda bench, kind: None)
    assert ended.outcome.exit is Exit.DONE, ended.outcome.headline
    assert ended.of("end")[0]["outcome"] == "done"
    assert ended.sent.count(START) == 1
    assert [record["axis"] for record in ended.of("settled")] in (
        ["near_slide", "far_slide"],
        ["far_slide", "near_slide"],
    )
    # 19660.8 counts a mm: 8 mm are round(157286.4), in opposite directions on the axes and the same way on the motors.
    moves = {record["axis"]: record["target_counts"] - record["from_counts"] for record in ended.of("move")}
    assert all(abs(counts - 157286) <= 2 for counts in moves.values())
    # The trace has what the bus has, in order. What was in the adapter at the end may have left without being known to.
    traced = [line.frame[:4] for line in read_trace(io.StringIO(ended.trace)) if line.sent and line.frame]
    on_the_bus = [frame[:4] for frame in ended.sent]
    assert traced == on_the_bus[: len(traced)]
    assert len(on_the_bus) - len(traced) <= IN_ADAPTER


def test_ctrl_c_in_the_middle_of_the_motion_brings_both_axes_to_rest() -> None:
    def watch(bench: SerialBench, kind: str) -> None:
        if kind == "onset":
            os.kill(os.getpid(), signal.SIGINT)

    ended = run(watch)
    assert ended.outcome.exit is Exit.OPERATOR, ended.outcome.headline
    assert {record["what"] for record in ended.of("operator")} == {"SIGINT"}
    assert_nothing_moves_after_the_stop(ended)
    assert sorted(record["axis"] for record in ended.of("at_rest")) == ["far_slide", "near_slide"]
    assert ended.of("unproven") == []
    for name, axis in ended.machine.axes.items():
        assert axis.position(ended.over_ns) == axis.position(ended.over_ns + SECOND), name


def test_an_adapter_that_falls_silent_is_found_out_and_no_axis_is_called_at_rest() -> None:
    def watch(bench: SerialBench, kind: str) -> None:
        if kind == "trigger":
            bench.adapter.stop_answering()

    ended = run(watch, reply_timeout_ns=SECOND // 2)
    # Which of the two it is hangs on whose reply was the last to get through.
    expected = {"bus-lost": Exit.LINK, "node-silent": Exit.STOPPED}
    assert ended.outcome.exit is expected[ended.outcome.rule], ended.outcome.headline
    assert sorted(record["axis"] for record in ended.of("unproven")) == ["far_slide", "near_slide"]
    assert ended.of("at_rest") == []


def test_an_adapter_that_is_unplugged_ends_the_run_at_once() -> None:
    def watch(bench: SerialBench, kind: str) -> None:
        if kind == "trigger":
            bench.adapter.close()

    ended = run(watch)
    assert ended.outcome.exit is Exit.LINK, ended.outcome.headline
    assert ended.outcome.rule == "adapter-lost"
    assert sorted(record["axis"] for record in ended.of("unproven")) == ["far_slide", "near_slide"]
    assert ended.of("at_rest") == []
