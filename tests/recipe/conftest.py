"""Recipes written for one test each, on a small machine with a pair, a vertical axis and a turntable in degrees."""

from pathlib import Path

import pytest

from choreo.diagnostic import Refused
from choreo.recipe.load import load

MACHINE = """\
choreo: 1
name: bench
bus: {bit_rate: 500 kbit/s, length: 5 m, poll: 50 Hz}
axes:
  left: {node: 3, dialect: short_frame, unit: mm, lag: 8 ms, noise: 2 counts,
         scale: {counts_per_motor_rev: 4096, gear: {motor: 5, output: 2}, travel_per_output_rev: 25 mm}}
  right: {like: left, node: 4, inverted: true}
  lift: {node: 7, dialect: short_frame, unit: mm, load: vertical, brake: {release: 40 ms, engage: 60 ms, sag: 0.1 mm},
         scale: {counts_per_motor_rev: 4096, gear: {motor: 3, output: 1}, travel_per_output_rev: 10 mm}}
  table: {node: 9, dialect: short_frame, unit: deg,
          scale: {counts_per_motor_rev: 4096, gear: {motor: 60, output: 1}, travel_per_output_rev: 360 deg}}
pairs:
  beam: {axes: [left, right], skew: {trip: 1.5 mm, structural: 20 mm}}
limits:
  beam: {travel: [0 mm, 1000 mm], speed: 200 mm/s, acceleration: 500 mm/s^2, quick_stop: 900 mm/s^2, tracking: 2 mm}
  lift: {travel: [-20 mm, 400 mm], speed: 90 mm/s, acceleration: 300 mm/s^2, quick_stop: 800 mm/s^2, tracking: 1 mm}
  table: {travel: [-180 deg, 180 deg], speed: 90 deg/s, acceleration: 180 deg/s^2, jerk: 900 deg/s^3,
          quick_stop: 360 deg/s^2, tracking: 2 deg}
unhomed:
  all: {}
  beam: {speed: 30 mm/s, distance: 1100 mm}
  lift: {speed: 20 mm/s, distance: 500 mm}
  table: {speed: 20 deg/s, distance: 370 deg}
homing:
  beam: {towards: negative, using: home_switch, search: 30 mm/s, crawl: 3 mm/s, back_off: 8 mm, within: 1100 mm,
         square_limit: 3 mm, home_at: {left: -5 mm, right: -4.5 mm}, rest_at: 2 mm, torque: 40 %}
  lift: {towards: positive, using: home_switch, search: 20 mm/s, crawl: 2 mm/s, back_off: 6 mm, within: 450 mm,
         home_at: 410 mm, rest_at: 395 mm}
homing_order: [lift, [beam]]
"""

HEAD = "choreo: 1\ntitle: A test\nmachine: machine.yaml\n"


class Bench:
    """A folder with a recipe and the machine file."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.path = folder / "recipe.yaml"
        self.write("machine.yaml", MACHINE)

    def write(self, name: str, text: str) -> Path:
        path = self.folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
        return path

    def machine(self, old: str, new: str) -> None:
        """Change the machine file."""
        text = (self.folder / "machine.yaml").read_text(encoding="utf-8")
        assert old in text
        self.write("machine.yaml", text.replace(old, new))

    def recipe(self, body: str, overrides=None, head: str = HEAD):
        """The recipe that `body` makes below the usual head."""
        self.write("recipe.yaml", head + body)
        return load(self.path, overrides)

    def refusal(self, body: str, overrides=None, head: str = HEAD) -> Refused:
        """What the recipe is refused for."""
        with pytest.raises(Refused) as caught:
            self.recipe(body, overrides, head)
        return caught.value

    def found(self, body: str, overrides=None, head: str = HEAD):
        """The errors and warnings as (rule, marked text), by position."""
        refusal = self.refusal(body, overrides, head)
        return [(finding.rule, marked(finding.primary, refusal.lines)) for finding in refusal.findings]

    def step_found(self, step: str):
        """The same of a recipe with one step."""
        return self.found("steps:\n  - " + step + "\n")


def marked(mark, lines) -> str:
    """The text that a mark stands under."""
    span = mark.span
    return lines[span.file][span.line - 1][span.column - 1 : span.column - 1 + span.length]


@pytest.fixture
def bench(tmp_path):
    return Bench(tmp_path)
