"""
Random recipes with random faults. Whatever comes of them: nothing that the host sends is out of range, nothing is sent
twice, nothing moves an axis after the last stop, what is said to stand stands, nothing breaks that no fault explains.
"""

import os
import tempfile
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from random import Random

from choreo.api import check
from choreo.errors import Exit, RecipeError
from choreo.trial.crew import Broke, Crew, Died

from .author import Author, Recipe
from .cells import Facts, observed, open_of
from .judging import any_run

#: Of so many runs one has no fault.
SOUND = 4
#: Faults that nothing on the bus can undo, or in which a drive or its body does not do what it is told: after these an
#: axis may run into its buffer, or a beam rack, in spite of the stop (practice.md P10, P14, P17). A drive that trips
#: without torque is one of them: a vertical axis falls until its brake has closed, 18 mm in 60 ms (P15), and then slows
#: down; a horizontal one coasts.
BEYOND_REACH = frozenset({
    "runaway", "runaway_after_stop", "bus_off", "silent_node", "nodes_lost", "adapter_lost", "position_jump",
    "foreign_command", "moves_unasked", "brake_slips", "brake_sags", "wrong_direction", "load_doubled", "stale_load",
    "drive_restarts", "drive_fault",
})  # fmt: skip
#: Faults that put a frame on the bus twice: by themselves, or by an error in its last bit.
TWICE = frozenset({"duplicate_frame", "error_frames"})
#: A run without faults leaves its axes so near to where the recipe says, mm: what a wait allows, and a brake's sag.
NEAR = 0.35


@dataclass(frozen=True, slots=True)
class Result:
    """One recipe: `refused` by the check, with its rules, or run. `faults` is the text of the fault file, if any."""

    recipe: Recipe
    faults: str | None
    refused: tuple[str, ...] = ()
    facts: Facts | None = None


def faults_of(number: int) -> str | None:
    """A fault file: some drawn faults, and a machine that varies; None for one run in `SOUND`."""
    random = Random(f"faults of recipe {number}")
    if random.randrange(SOUND) == 0:
        return None
    within = random.choice((2, 5, 12))
    return (
        f"draw: {{kinds: all, axes: all, count: [1, {random.randrange(1, 4)}], within: [0 s, {within} s]}}\n"
        "vary: {reply: [0.5, 2], lag: [0.8, 1.2]}\n"
    )


def run_one(number: int) -> Result:
    """Write, check and run one recipe."""
    recipe, faults = Author(number).write(), faults_of(number)
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "recipe.yaml"
        file.write_text(recipe.text, encoding="utf-8")
        checked = check(file)
        if checked.plan is None:
            return Result(recipe, faults, tuple(sorted({finding.rule for finding in checked.findings})))
        fault_file = None
        if faults is not None:
            fault_file = Path(folder) / "faults.yaml"
            fault_file.write_text(faults, encoding="utf-8")
        with open_of(checked.plan, fault_file, number) as link:
            return Result(recipe, faults, facts=observed(checked.plan, link, number, file))


def complaints(result: Result) -> list[str]:
    """Everything that is not as it must be."""
    if result.facts is None:
        if not result.refused:
            return ["refused without a finding"]
        return [] if result.recipe.spoilt else [f"a recipe that is sound was refused: {', '.join(result.refused)}"]
    facts = result.facts
    ending = facts.ending
    found = list(any_run(facts, sorted(facts.positions)))
    if facts.starts > facts.triggers + bool(ending.exit) and not TWICE & set(ending.faults):
        found.append(f"{facts.starts} start frames, {facts.triggers} triggers")
    if ending.damage and not BEYOND_REACH & set(ending.faults):
        found.append(f"damage: {'; '.join(ending.damage)} with {', '.join(ending.faults) or 'no fault'}")
    if not facts.acted and not result.recipe.spoilt:
        found += _sound(result.recipe, facts)
    return found


def _sound(recipe: Recipe, facts: Facts) -> Iterator[str]:
    """A sound recipe in which no fault acted is done, and leaves its axes where it says."""
    if facts.ending.exit != Exit.DONE:
        yield f"no fault acted, and it ended with {facts.ending.exit} ({facts.ending.rule}: {facts.ending.headline})"
        return
    for axis, place in recipe.ends.items():
        if abs(facts.positions[axis] - float(place)) > NEAR:
            yield f"{axis} is truly at {facts.positions[axis]:.4f} mm, and should be at {float(place):.4f} mm"


def worker(begun: tuple[int, int]) -> Callable[[int], tuple[Result, list[str]]]:
    """The work of one process: a recipe by its number; `begun` is the first number, and how politely it works."""
    first, nice = begun
    os.nice(nice)

    def work(place: int) -> tuple[Result, list[str]]:
        try:
            result = run_one(first + place)
        except RecipeError as error:  # drawn faults that do not fit this machine
            return Result(Author(first + place).write(), faults_of(first + place), (error.rule,)), []
        return result, complaints(result)

    return work


def run(count: int, jobs: int, nice: int = 0, first: int = 0) -> Iterator[tuple[int, Result | None, list[str]]]:
    """Each number with what became of it and what is wrong with that."""
    crew: Crew[tuple[Result, list[str]]] = Crew(worker, (first, nice), jobs)
    for place, got in crew.results(count):
        if isinstance(got, Died | Broke):
            yield first + place, None, [got.text if isinstance(got, Broke) else f"its process died ({got.code})"]
        else:
            yield first + place, *got


def main(jobs: int, each: int | None, nice: int, out: Path | None, first: int = 0) -> int:
    """Print how they ended; 1 when anything is wrong."""
    count = each or 100_000
    endings: Counter[str] = Counter()
    wrong = 0
    for number, result, found in run(count, jobs, nice, first):
        if result is None:
            endings["broke"] += 1
        elif result.facts is None:
            endings["refused"] += 1
        else:
            endings[f"exit {result.facts.ending.exit} {result.facts.ending.rule}"] += 1
        if found:
            wrong += 1
            print(f"WRONG {number}:", *found, sep="\n    ", flush=True)
            if out is not None:
                _keep(out, number)
        if (number - first + 1) % 1000 == 0:
            print(f"{number - first + 1} of {count}, {wrong} wrong", flush=True)
    for ending, runs in endings.most_common():
        print(f"{runs:7}  {ending}")
    print(f"{count} recipes, {wrong} of them wrong")
    return 1 if wrong else 0


def _keep(out: Path, number: int) -> None:
    """What `choreo dry-run RECIPE --faults FILE --seed NUMBER` repeats."""
    out.mkdir(parents=True, exist_ok=True)
    (out / f"{number}.yaml").write_text(Author(number).write().text, encoding="utf-8")
    faults = faults_of(number)
    if faults is not None:
        (out / f"{number}_faults.yaml").write_text(faults, encoding="utf-8")
