"""
How fast a dry-run is: simulated seconds per second of this machine, for the demonstration and for sixty axes on one
bus, and whether its memory grows with the length of the run.

Each figure is a ratio within one run, the best of three. It says something about this machine at this moment only.
"""

import subprocess
import sys
import tempfile
import time
from pathlib import Path

from choreo.api import simulation_request
from choreo.journal.writer import JournalWriter
from choreo.link.simulated import open_simulated
from choreo.plan.model import Plan
from choreo.plan.resolve import resolve
from choreo.recipe.load import load
from choreo.run.executor import execute
from choreo.wire.described import shipped_file

DEMO = Path(__file__).parents[2] / "recipes" / "kiln_gantry" / "home_and_test.yaml"
WALL_AXES = 60

#: The sample dialect with room for more nodes: its identifiers lie further apart.
WIDER = {
    "to: 31": "to: 62",
    "name: short_frame": "name: wide_frame",
    "0x040": "0x060",
    "event:   {base: 0x060}": "event:   {base: 0x0A0}",
    "0x120": "0x180",
    "0x140": "0x200",
}


def plan_of(recipe: Path) -> Plan:
    """The plan, or the end of the benchmark with what is wrong."""
    plan, findings = resolve(load(recipe, {}))
    if plan is None:
        raise SystemExit("\n".join(finding.headline for finding in findings))
    return plan


def speed(plan: Plan, journal: Path) -> float:
    """Simulated seconds per second of wall time, of the run alone."""
    return max(run_once(plan, journal) for _ in range(3))


def run_once(plan: Plan, journal: Path) -> float:
    """One run; its simulated seconds per second."""
    link = open_simulated(simulation_request(plan))
    with JournalWriter(journal) as writer:
        began = time.perf_counter()
        outcome = execute(plan, link, writer)
        took = time.perf_counter() - began
    if outcome.exit:
        raise SystemExit(f"{plan.title}: {outcome.headline}")
    return outcome.taken_ns / 1e9 / took


def wall_recipe(folder: Path) -> Path:
    """Sixty axes, polled at 20 Hz on one bus of 1 Mbit/s, that move to and fro together."""
    text = shipped_file("short_frame").read_text()
    for narrow, wide in WIDER.items():
        text = text.replace(narrow, wide)
    (folder / "wide_frame.yaml").write_text(text)
    names = [f"axis_{number}" for number in range(1, WALL_AXES + 1)]
    scale = "{counts_per_motor_rev: 65536, gear: {motor: 1, output: 1}, travel_per_output_rev: 10 mm}"
    axes = "".join(
        f"  {name}: {{node: {node}, dialect: ./wide_frame.yaml, unit: mm, scale: {scale}}}\n"
        for node, name in enumerate(names, 1)
    )
    limits = "".join(
        f"  {name}: {{travel: [-500 mm, 500 mm], speed: 50 mm/s, acceleration: 400 mm/s^2, jerk: 4000 mm/s^3, "
        "quick_stop: 1000 mm/s^2, tracking: 3 mm}\n"
        for name in names
    )
    unhomed = "".join(f"  {name}: {{speed: 50 mm/s, distance: 100 mm}}\n" for name in names)
    settings = "{speed: 50 mm/s, acceleration: 400 mm/s^2, jerk: 4000 mm/s^3, quick_stop: 1000 mm/s^2}"
    configure = "".join(f"      {name}: {settings}\n" for name in names)
    there = ", ".join(f"{name}: {{by: 20 mm}}" for name in names)
    back = ", ".join(f"{name}: {{by: -20 mm}}" for name in names)
    recipe = folder / "wall.yaml"
    recipe.write_text(
        f"choreo: 1\ntitle: Wall\nbus: {{bit_rate: 1 Mbit/s, length: 20 m, poll: 20 Hz}}\n"
        f"axes:\n{axes}limits:\n{limits}"
        f"unhomed:\n{unhomed}steps:\n  - configure:\n{configure}  - enable: all\n"
        f"  - repeat: 10\n    steps:\n      - move: {{{there}}}\n      - move: {{{back}}}\n      - dwell: 2 s\n"
        "closing:\n  - disable: all\n"
    )
    return recipe


#: Runs a recipe and prints the peak memory of its process, in KiB.
RUN_ALONE = """
import resource, sys
from pathlib import Path
from tests.benchmarks.dry_run import plan_of, run_once
run_once(plan_of(Path(sys.argv[1])), Path(sys.argv[2]))
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)
"""


def peak_kib(dwell_s: int, folder: Path) -> int:
    """The peak memory of a process that does nothing but carry out a recipe with a dwell of that length."""
    recipe = folder / f"dwell_{dwell_s}.yaml"
    machine = DEMO.with_name("machine.yaml").read_text()
    recipe.write_text(machine + f"\ntitle: Dwell\nsteps:\n  - dwell: {dwell_s} s\n")
    command = [sys.executable, "-c", RUN_ALONE, str(recipe), str(folder / "dwell.jsonl")]
    return int(subprocess.run(command, check=True, capture_output=True, text=True).stdout)


def main() -> None:
    """Print the three figures."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        demo = speed(plan_of(DEMO), folder / "demo.jsonl")
        print(f"demonstration, 4 axes at 50 Hz: {demo:.0f} simulated seconds a second (aim 200, must be over 100)")
        wall = speed(plan_of(wall_recipe(folder)), folder / "wall.jsonl")
        print(f"{WALL_AXES} axes at 20 Hz, 1 Mbit/s: {wall:.0f} simulated seconds a second (aim 40, must be over 15)")
        short, long = peak_kib(60, folder), peak_kib(900, folder)
        print(f"peak memory of a run 15 times as long: {long / short:.3f} times (must be flat)")


if __name__ == "__main__":
    main()
