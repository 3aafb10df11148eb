"""A whole trial: its runs over the processes, in the order of their numbers, into one tally."""

from collections.abc import Callable
from dataclasses import dataclass

from choreo.plan.model import Plan
from choreo.trial.crew import Broke, Crew, Died
from choreo.trial.ending import Ending
from choreo.trial.rehearsal import Job, seed_of, worker
from choreo.trial.tally import Tally


@dataclass(frozen=True, slots=True)
class Trial:
    """What a trial was asked for and what came of it; fewer runs than asked for when it was `interrupted`."""

    title: str
    machine: str
    nominal: bool  # the simulated machine was derived from the recipe itself
    faults: bool  # whether there is a fault file
    asked: int
    seed: int
    tally: Tally
    interrupted: bool

    @property
    def first_seed(self) -> int:
        """Of run 0; the others follow."""
        return seed_of(self.seed, 0)


def conduct(
    plan: Plan,
    job: Job,
    *,
    runs: int,
    jobs: int,
    enough: Callable[[], bool] = lambda: False,
    progress: Callable[[Tally], None] = lambda _: None,
) -> Trial:
    """
    Run the job's recipe, of which `plan` was made, so many times, each with a seed of its own; what comes out is the
    same whatever `jobs` is.

    `enough` is asked between two runs and ends the trial early; `progress` is called after each run. InternalError
    when no process can be started, RecipeError when the recipe was changed meanwhile.
    """
    tally = Tally()
    seed = job.seed
    crew: Crew[Ending] = Crew(worker, job, jobs)
    for number, result in crew.results(runs, enough):
        match result:
            case Died(code):
                tally.lose(seed_of(seed, number), code)
            case Broke(headline):
                tally.break_off(seed_of(seed, number), headline)
            case _:
                tally.add(result)
        progress(tally)
    came = tally.runs + tally.died.runs
    nominal, faults = plan.simulated is None, job.request.faults is not None
    return Trial(plan.title, plan.machine, nominal, faults, runs, seed, tally, came < runs)
