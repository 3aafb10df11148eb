"""
An axis under way that nobody reads any more: a computer that does not keep up with its bus gets every reply, only too
late, so that no request is lost and no node looks silent (practice.md P10, P36: common practice, no source).
"""

from io import StringIO

import pytest

from choreo.journal.writer import JournalWriter
from choreo.run.context import BLIND_ROUNDS
from choreo.run.executor import prepare
from choreo.run.requests.lanes import LOSSES_TO_SILENCE
from tests.run.fake import FakeLink
from tests.run.machine import GANTRY, plan_of

SLIDES = GANTRY.parents[1] / "tests" / "live" / "two_slides.yaml"
MS = 1_000_000


@pytest.fixture
def run():
    return prepare(plan_of(SLIDES), FakeLink(lambda frame: []), JournalWriter(None, StringIO()))


def rounds(run, ages_ms, *, moving=True):
    """What is found when at each round of polls the last reading is so old."""
    axis, poller = run.axes[0], run.pollers[0]
    axis.motion = object() if moving else None
    for number, age_ms in enumerate(ages_ms):
        now = (number + 1) * 20 * MS + 10_000 * MS
        axis.accept(1000, now - age_ms * MS, now)
        poller._look_back(now)
    return run.session.log.fault


def too_long_ms(run):
    """Longer than a silent node would be borne: so many time-outs, one more, and two periods."""
    plan = run.plan
    return ((LOSSES_TO_SILENCE + 1) * plan.axes[0].reply_timeout_ns + 2 * plan.poll_ns) // MS + 1


def test_round_after_round_it_is_a_fault(run):
    age = too_long_ms(run)
    assert rounds(run, [age] * (BLIND_ROUNDS - 1)) is None
    fault = rounds(run, [age])
    assert (fault.rule, fault.axis, fault.exit) == ("not-watched", "near_slide", 3)
    assert f"was not read for {age} ms" in fault.headline


def test_one_pause_by_itself_is_borne(run):
    age = too_long_ms(run)
    assert rounds(run, [age, 5, age, 5, age - 1, age - 1, age - 1]) is None


def test_an_axis_that_stands_may_wait(run):
    assert rounds(run, [too_long_ms(run) * 10] * 5, moving=False) is None
