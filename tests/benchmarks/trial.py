"""
How many runs of the demonstration a trial makes in a second, in one process and in two, and the ratio of the two.

The start of the processes counts, because whoever waits for a trial waits for it too; with more runs it weighs less.
"""

import time
from pathlib import Path

from choreo.api import trial

DEMO = Path(__file__).parents[2] / "recipes" / "kiln_gantry" / "home_and_test.yaml"
FAULTS = DEMO.parent / "faults" / "stalled_axis.yaml"
RUNS = 40


def runs_a_second(jobs: int) -> float:
    """Of a trial with so many processes."""
    began = time.perf_counter()
    found = trial(DEMO, runs=RUNS, jobs=jobs, faults=FAULTS).trial
    took = time.perf_counter() - began
    if found.tally.runs != RUNS:
        raise SystemExit(f"{found.tally.runs} of {RUNS} runs came to their end")
    return RUNS / took


def main() -> None:
    """Print the three figures."""
    one, two = runs_a_second(1), runs_a_second(2)
    print(f"the demonstration with a stalled axis (32 of its 97 s): {one:.2f} runs a second in one process")
    print(f"{two:.2f} runs a second in two processes: {two / one:.2f} times as many (aim 2)")


if __name__ == "__main__":
    main()
