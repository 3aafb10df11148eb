"""The crew: results in order whoever was faster, deaths told, nothing left behind."""

import os

import pytest

from choreo.errors import InternalError, RecipeError
from choreo.trial.crew import Broke, Crew, Died
from tests.trial import works


@pytest.mark.parametrize("jobs", [1, 2, 3])
def test_results_come_in_the_order_of_their_numbers(jobs):
    results = list(Crew(works.uneven, None, jobs).results(40))
    assert results == [(number, number) for number in range(40)]


def test_more_jobs_than_pieces_are_no_use_and_no_harm():
    assert list(Crew(works.squares, "told", 8).results(2)) == [(0, (0, "told")), (1, (1, "told"))]


def test_no_pieces():
    assert list(Crew(works.squares, None, 2).results(0)) == []


def test_the_work_is_made_once_in_each_process(tmp_path):
    pids = {pid for _, pid in Crew(works.counted, str(tmp_path), 2).results(30)}
    assert {file.name for file in tmp_path.iterdir()} >= {str(pid) for pid in pids}
    assert len(list(tmp_path.iterdir())) == 2


@pytest.mark.parametrize("jobs", [1, 2])
def test_a_piece_that_raises_is_told_and_the_others_go_on(jobs):
    results = dict(Crew(works.broken, None, jobs).results(6))
    broke = results.pop(3)
    assert isinstance(broke, Broke)
    assert broke.headline == "ValueError: three"
    assert "works.py" in broke.text
    assert results == {number: number for number in (0, 1, 2, 4, 5)}


@pytest.mark.parametrize("jobs", [1, 2, 3])
def test_a_process_that_dies_takes_one_piece_with_it(jobs):
    results = list(Crew(works.deadly, None, jobs).results(12))
    assert [number for number, _ in results] == list(range(12))
    assert [number for number, result in results if isinstance(result, Died)] == [2, 5]
    assert {result.code for _, result in results if isinstance(result, Died)} == {-9}
    assert all(result == number for number, result in results if number not in (2, 5))


def test_a_process_that_dies_before_it_begins_is_an_error_and_not_tried_for_ever():
    with pytest.raises(InternalError, match="exit code 7"):
        list(Crew(works.stillborn, None, 2).results(5))


def test_what_the_making_of_the_work_refuses_is_raised_as_it_is():
    with pytest.raises(RecipeError, match="the recipe has gone") as caught:
        list(Crew(works.refused, None, 2).results(5))
    assert (caught.value.rule, caught.value.help) == ("changed", "Look for it.")


def test_enough_is_enough(tmp_path):
    """Processes that would never end by themselves are ended, and gone when the results are."""
    seen = []
    crew = Crew(works.endless, str(tmp_path), 2)
    for number, _ in crew.results(10, lambda: len(list(tmp_path.iterdir())) >= 1):
        seen.append(number)
    assert seen in ([], [0])
    pids = [int(file.name) for file in tmp_path.iterdir()]
    assert pids
    for pid in pids:
        with pytest.raises(ProcessLookupError):
            os.kill(pid, 0)


def test_whoever_does_not_take_all_results_leaves_no_process_behind():
    crew = Crew(works.squares, None, 2)
    results = crew.results(1000)
    assert next(results)[0] == 0
    processes = [worker.process for worker in crew._workers]
    assert len(processes) == 2
    results.close()
    assert crew._workers == []
    assert all(not process.is_alive() for process in processes)
