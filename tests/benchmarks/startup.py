"""
How long commands take to start, as multiples of `python -c pass` on this machine.

Aims: `choreo --help` 4, `choreo check` of the demonstration 20. The shortest of several starts of each, taken in turn,
so that whatever else the machine does falls on all of them alike.
"""

import subprocess
import sys
import time
from pathlib import Path

DEMO = Path(__file__).parents[2] / "recipes" / "kiln_gantry" / "home_and_test.yaml"
ROUNDS = 9

COMMANDS = {
    "python -c pass": ("-c", "pass"),
    "choreo --help": ("-m", "choreo", "--help"),
    "choreo check (the demonstration)": ("-m", "choreo", "check", str(DEMO)),
}


def shortest() -> dict[str, float]:
    """Seconds of the shortest start of each command."""
    best = dict.fromkeys(COMMANDS, float("inf"))
    for _ in range(ROUNDS):
        for name, words in COMMANDS.items():
            began = time.perf_counter()
            subprocess.run([sys.executable, *words], check=True, stdout=subprocess.DEVNULL)
            best[name] = min(best[name], time.perf_counter() - began)
    return best


def main() -> None:
    """Print the figures."""
    best = shortest()
    bare, *others = best.items()
    print(f"{bare[0]}: {bare[1] * 1e3:.0f} ms")
    for name, seconds in others:
        print(f"{name}: {seconds * 1e3:.0f} ms, {seconds / bare[1]:.1f} times {bare[0]}")


if __name__ == "__main__":
    main()
