"""
How evenly a real run polls: how far each period of a node's polls is from 20 ms, on a computer with nothing else to do
and beside two processes that keep its processors busy, with the screen on.
"""

import os
import tempfile
from itertools import pairwise
from pathlib import Path

from ._terminal import busy, events, machine, running, spread, standing_recipe, traced

LASTS_S = 40
PERIOD_NS = 20_000_000
BUSY = 2
AXIS, REQUEST, REPLY = "beam_left", "14B", "12B"


def run_beside(loops: int) -> tuple[list[float], int]:
    """A run beside so many busy processes: see `errors`."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        recipe = standing_recipe(folder, LASTS_S)
        with machine(folder, recipe), running(folder, recipe) as run:
            run.until_step()
            with busy(loops):
                code = run.process.wait(LASTS_S + 60)
            if code:
                raise SystemExit(f"the run ended with {code}: {run.why()}")
        return errors(run.out / "journal.jsonl", run.out / "trace.log")


def errors(journal: Path, trace: Path) -> tuple[list[float], int]:
    """
    How far each period of one node's polls is from its 20 ms, in seconds, and how many polls were not sent because the
    last was not answered: where one was left out, the period is one of 40 ms.
    """
    (begun,), samples = events(journal, "step_begin"), events(journal, "p")
    first = next(sample["t"] for sample in samples if sample["axis"] == 0)
    ahead = traced(trace, f"{REPLY}#92")[0] - first  # the trace begins before the journal
    left_out = [record["t"] for record in events(journal, "overrun") if record["what"].endswith(AXIS)]
    times = [time - ahead for time in traced(trace, f"{REQUEST}#12 T")]
    during = [time for time in times if time > begun["t"]]
    found = []
    for before, after in pairwise(during):
        periods = 1 + sum(before < time < after for time in left_out)
        found.append(abs(after - before - periods * PERIOD_NS) / 1e9)
    return found, len(left_out)


def main() -> None:
    """Print the two distributions."""
    for loops in (0, BUSY):
        found, overruns = run_beside(loops)
        beside = f"beside {loops} busy processes" if loops else "alone"
        aim = " (aim: worst under 10 ms)" if loops else ""
        print(f"{beside}, load average {os.getloadavg()[0]:.1f}: {len(found)} periods of 20 ms, off by{aim}")
        print(f"  {spread(found)}; {overruns} polls left out because the last was not answered yet")


if __name__ == "__main__":
    main()
