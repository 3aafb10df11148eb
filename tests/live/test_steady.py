"""Which threads go before other programs: those that there are, the session's own, and none that is not ours."""

import gc
import os
import threading

import pytest

from choreo.live.steady import PRIORITY, go_first, steady

USUAL = 0
FIRST = os.SCHED_RR | os.SCHED_RESET_ON_FORK


class System:
    """The scheduling classes of threads; `allowed` is asked before each change."""

    def __init__(self, monkeypatch, *, allowed=lambda policy: True, at_first=USUAL):
        self.classes, self.allowed, self.at_first = {}, allowed, at_first
        monkeypatch.setattr(os, "sched_getscheduler", self.get)
        monkeypatch.setattr(os, "sched_setscheduler", self.set)

    def get(self, thread_id):
        return self.classes.get(thread_id or threading.get_native_id(), self.at_first)

    def set(self, thread_id, policy, param):
        if not self.allowed(policy):
            raise PermissionError(1, "Operation not permitted")
        assert param.sched_priority == (PRIORITY if policy == FIRST else 0)
        self.classes[thread_id or threading.get_native_id()] = policy


def test_every_thread_goes_first_and_back_and_the_sessions_own_joins_them(monkeypatch):
    # sched(7): the class is a thread's own, and the mark that keeps children out of it keeps new threads out, too.
    system, ends, found = System(monkeypatch), threading.Event(), []
    writer = threading.Thread(target=ends.wait)
    writer.start()

    def session():
        go_first()
        found.append(system.get(0))

    with steady() as why:
        assert why == ""
        assert system.classes == {threading.get_native_id(): FIRST, writer.native_id: FIRST}
        late = threading.Thread(target=session)
        late.start()
        late.join()
    assert found == [FIRST]
    assert system.get(0) == system.get(writer.native_id) == USUAL
    assert gc.get_freeze_count() == 0
    ends.set()
    writer.join()


def test_where_the_mark_cannot_be_taken_back_the_class_is_left_all_the_same(monkeypatch):
    system = System(monkeypatch, allowed=lambda policy: policy & os.SCHED_RESET_ON_FORK)
    with steady():
        assert system.get(0) == FIRST
    assert system.get(0) == USUAL | os.SCHED_RESET_ON_FORK


def test_where_the_system_does_not_let_it_that_is_said(monkeypatch):
    system = System(monkeypatch, allowed=lambda policy: False)
    with steady() as why:
        assert why == "the system does not let it: Operation not permitted"
        go_first()
    assert system.classes == {}


@pytest.mark.parametrize("policy", [os.SCHED_FIFO, os.SCHED_RR])
def test_a_process_that_was_put_first_by_somebody_else_is_left_as_it_is(monkeypatch, policy):
    system = System(monkeypatch, at_first=policy)
    with steady() as why:
        assert why == ""
    assert system.classes == {}
