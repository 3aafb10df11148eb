"""
How long a long recipe takes to be read and validated, as a multiple of what ruamel.yaml's safe C loader takes for the
text alone.

    python -m tests.benchmarks reading

Both are timed in turns within one run, the best of five each, in seconds of processor time. The ratio says something
about this machine at this moment only; nothing is asserted of it (aim: 0.4; it must stay below 1).
"""

import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from ruamel.yaml import YAML

from choreo.recipe.load import load
from choreo.text import compose, read_text

MACHINE = Path(__file__).parents[2] / "recipes" / "kiln_gantry" / "machine.yaml"
TURNS = 5

#: Five lines a step, as people write them; the numbers differ, so that nothing is read once and remembered.
STEP = """\
  - move:
      beam: {{to: {beam}.5 mm}}
      carriage: {{by: {carriage} mm, speed: {speed} mm/s}}
    within: 0.{within} mm
    label: Step {number}
"""


def recipe_text(steps: int) -> str:
    """A recipe with so many steps."""
    body = "".join(
        STEP.format(
            beam=number * 7 % 2399,
            carriage=number * 13 % 1201 - 600 or 1,
            speed=50 + number % 431,
            within=f"{number % 97 + 1:03d}",
            number=number,
        )
        for number in range(steps)
    )
    return f"choreo: 1\ntitle: Many steps\nmachine: machine.yaml\nsteps:\n{body}"


def taken(call: Callable[[], object]) -> float:
    """Seconds of processor time."""
    begun = time.process_time()
    call()
    return time.process_time() - begun


def main(steps: int = 10_000) -> None:
    """Print one line a figure."""
    text = recipe_text(steps)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "recipe.yaml"
        path.write_text(text, encoding="utf-8")
        (path.parent / "machine.yaml").write_text(MACHINE.read_text(encoding="utf-8"), encoding="utf-8")
        assert len(load(path).steps) == steps
        timed: dict[str, Callable[[], object]] = {
            "ruamel.yaml, safe C loader": lambda: YAML(typ="safe").load(text),
            "composed, with places": lambda: compose(read_text(path)),
            "read and validated": lambda: load(path),
        }
        best = dict.fromkeys(timed, float("inf"))
        for _ in range(TURNS):
            for name, call in timed.items():
                best[name] = min(best[name], taken(call))
    yardstick = best["ruamel.yaml, safe C loader"]
    print(f"{steps} steps, {len(text.splitlines())} lines, {len(text.encode()) / 1e6:.2f} MB")
    for name, seconds in best.items():
        print(f"{name:28} {seconds:7.3f} s   ratio {seconds / yardstick:5.2f}")


if __name__ == "__main__":
    main()
