"""Virtual time: order, cancelling, and where the clock stands."""

from collections import deque

import pytest
from hypothesis import given
from hypothesis import strategies as st

from choreo_sim.kernel import Kernel


def test_callbacks_run_by_time_then_priority_then_in_the_order_asked_for() -> None:
    kernel = Kernel()
    log: list[str] = []
    kernel.at(20, log.append, "late")
    kernel.at(10, log.append, "second", priority=1)
    kernel.at(10, log.append, "third", priority=1)
    kernel.at(10, log.append, "first", priority=0)
    kernel.run_until(30)
    assert log == ["first", "second", "third", "late"]
    assert kernel.now_ns == 30


@given(st.lists(st.tuples(st.integers(0, 50), st.integers(-2, 2)), max_size=60))
def test_order_is_that_of_a_stable_sort(wanted: list[tuple[int, int]]) -> None:
    kernel = Kernel()
    log: list[tuple[int, int, int]] = []
    for number, (t_ns, priority) in enumerate(wanted):
        kernel.at(t_ns, log.append, (t_ns, priority, number), priority)
    while kernel.step():
        assert log[-1][0] == kernel.now_ns
    assert log == sorted((t_ns, priority, number) for number, (t_ns, priority) in enumerate(wanted))


@given(st.lists(st.tuples(st.integers(0, 50), st.booleans()), max_size=60))
def test_cancelled_callbacks_do_not_run_and_all_others_do(wanted: list[tuple[int, bool]]) -> None:
    kernel = Kernel()
    log: list[int] = []
    handles = [kernel.at(t_ns, log.append, number) for number, (t_ns, _) in enumerate(wanted)]
    for handle, (_, keep) in zip(handles, wanted, strict=True):
        if not keep:
            kernel.cancel(handle)
            kernel.cancel(handle)
    due = [t_ns for t_ns, keep in wanted if keep]
    assert kernel.next_ns() == (min(due) if due else None)
    kernel.run_until(100)
    assert sorted(log) == [number for number, (_, keep) in enumerate(wanted) if keep]
    assert kernel.next_ns() is None


def test_cancelling_what_has_run_is_harmless() -> None:
    kernel = Kernel()
    log: list[int] = []
    handle = kernel.at(5, log.append, 1)
    kernel.run_until(5)
    kernel.cancel(handle)
    kernel.after(5, log.append, 2)
    kernel.run_until(10)
    assert log == [1, 2]


def test_a_callback_may_ask_for_more_at_the_same_instant() -> None:
    kernel = Kernel()
    log: list[tuple[int, str]] = []

    def first(name: str) -> None:
        log.append((kernel.now_ns, name))
        kernel.at(kernel.now_ns, lambda _: log.append((kernel.now_ns, "follows")))

    kernel.at(7, first, "first")
    kernel.at(7, lambda _: log.append((kernel.now_ns, "second")))
    kernel.run_until(7)
    assert log == [(7, "first"), (7, "second"), (7, "follows")]


def test_the_past_is_refused() -> None:
    kernel = Kernel(now_ns=100)
    with pytest.raises(ValueError, match="asked for 99 ns, but it is 100 ns already"):
        kernel.at(99, print)


def test_the_clock_is_never_turned_back() -> None:
    kernel = Kernel(now_ns=100)
    kernel.run_until(50)
    assert kernel.now_ns == 100


def test_what_is_due_at_the_limit_still_runs_and_what_is_later_does_not() -> None:
    kernel = Kernel()
    log: list[int] = []
    for t_ns in (9, 10, 11):
        kernel.at(t_ns, log.append, t_ns)
    kernel.run_until(10)
    assert (log, kernel.now_ns, kernel.next_ns()) == ([9, 10], 10, 11)


@pytest.mark.parametrize("which", [0, 1])
def test_stops_where_a_queue_is_filled(which: int) -> None:
    kernel = Kernel()
    queues: tuple[deque[str], deque[str]] = (deque(), deque())
    kernel.at(10, queues[which].append, "here")
    kernel.at(10, queues[which].append, "not yet")
    kernel.run_until(50, *queues)
    assert list(queues[which]) == ["here"]
    assert kernel.now_ns == 10
    kernel.run_until(50, *queues)
    assert (kernel.now_ns, len(queues[which])) == (10, 1)


def test_a_cancelled_callback_does_not_move_the_clock() -> None:
    kernel = Kernel()
    queue: deque[str] = deque()
    kernel.cancel(kernel.at(5, print))
    kernel.at(10, queue.append, "here")
    kernel.run_until(50, queue)
    assert kernel.now_ns == 10


def test_step_says_when_nothing_is_left() -> None:
    kernel = Kernel()
    kernel.cancel(kernel.at(5, print))
    assert kernel.step() is False
    assert kernel.now_ns == 0
