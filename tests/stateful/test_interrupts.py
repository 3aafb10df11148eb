"""
An interrupt at any moment ends the run in stopping, with exit code 130 and every axis proved to stand.

The run is not started anew for each moment: at each one the process forks, the child is interrupted and judged, and
the parent goes on. Half of the moments are spread over the whole run, half lie within 3 ms of a start trigger, where a
start that is already in the adapter may lose arbitration to the stop and follow it.
"""

import os
import random
import sys
import traceback
from collections.abc import Iterable

import pytest

from choreo.errors import Exit
from choreo.link.port import Interrupt
from tests.run.machine import DEMO, Done, Rehearsal, assert_ended_safely

NEAR_NS = 3_000_000


def judge(done: Done) -> None:
    assert done.outcome.exit is Exit.OPERATOR, done.outcome.headline
    assert_ended_safely(done)
    assert not done.records("unproven")
    assert all(record["load"] == "empty" for record in done.records("at_rest"))
    for name, drive in done.link.machine.drives.items():
        assert not drive.servo.load.held, f"{name} still holds a load"
    assert not done.link.machine.damage


class Interrupted:
    """Forks at each moment. In a child `moment_ns` is where it was interrupted; in the parent it stays None."""

    def __init__(self, rehearsal: Rehearsal, moments: Iterable[int]) -> None:
        self.moment_ns: int | None = None
        self.failed: list[int] = []
        self._link = rehearsal.link
        for moment in sorted(moments):
            self._link.kernel.at(moment, self._fork, moment)

    def _fork(self, moment: int) -> None:
        if self.moment_ns is not None:
            return
        child = os.fork()
        if child == 0:
            self.moment_ns = moment
            self._link.post(Interrupt("a test"))
        elif os.waitpid(child, 0)[1] != 0:
            self.failed.append(moment)


def moments(count: int, seed: int) -> list[int]:
    """Drawn from a run that is not interrupted; the same seed draws the same moments."""
    whole = Rehearsal().go()
    triggers = [t_ns for t_ns, kind, _ in whole.classes() if kind == "starts"]
    draw = random.Random(seed)
    anywhere = [draw.randrange(1, whole.outcome.taken_ns) for _ in range(count // 2)]
    near = [max(1, draw.choice(triggers) + draw.randrange(-NEAR_NS, NEAR_NS)) for _ in range(count - count // 2)]
    return anywhere + near


def interrupt_at(chosen: list[int]) -> list[int]:
    """The moments at which an interrupt did not end as it must."""
    rehearsal = Rehearsal(DEMO)
    interrupted = Interrupted(rehearsal, chosen)
    sys.stdout.flush()
    sys.stderr.flush()
    done = rehearsal.go()
    if interrupted.moment_ns is not None:  # a child
        try:
            judge(done)
        except BaseException:  # noqa: BLE001  nothing of the child may reach the test runner
            os.write(2, f"\ninterrupted at {interrupted.moment_ns} ns:\n{traceback.format_exc()}".encode())
            os._exit(1)
        os._exit(0)
    assert done.outcome.exit is Exit.DONE, done.outcome.headline
    return interrupted.failed


def test_interrupts_at_random_moments_end_in_stopping():
    assert interrupt_at(moments(30, seed=1)) == []


@pytest.mark.campaign
def test_interrupts_at_a_thousand_moments_end_in_stopping():
    assert interrupt_at(moments(1000, seed=2)) == []
