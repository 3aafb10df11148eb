"""
What a real run costs while it polls four axes at 50 Hz: the share of one core of its process, of its screen and of the
simulated machine, each for itself, while the gantry stands still.
"""

import os
import tempfile
import time
from pathlib import Path

from ._terminal import machine, running, standing_recipe, used_s

#: After the first pictures and the opening.
SETTLED_S = 3.0
LASTS_S = 30


def main() -> None:
    """Print a line for each process."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        recipe = standing_recipe(folder, LASTS_S + 15)
        with machine(folder, recipe) as sim, running(folder, recipe) as run:
            run.until_step()
            time.sleep(SETTLED_S)
            processes = {**run.processes(), "choreo sim": sim.pid}
            before, began = {who: used_s(pid) for who, pid in processes.items()}, time.perf_counter()
            time.sleep(LASTS_S)
            took = time.perf_counter() - began
            after = {who: used_s(pid) for who, pid in processes.items()}
    print(f"four axes at 50 Hz for {took:.0f} s, load average of the computer {os.getloadavg()[0]:.1f}")
    for who in processes:
        aim = " (aim under 4 %)" if who == "choreo run" else ""
        print(f"{who}: {(after[who] - before[who]) / took * 100:.1f} % of one core{aim}")


if __name__ == "__main__":
    main()
