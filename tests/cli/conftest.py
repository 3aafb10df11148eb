"""A small machine and recipes for it, in a folder that is the current one."""

from pathlib import Path
from textwrap import dedent

import pytest

RECIPE = dedent("""\
    choreo: 1
    title: Nudge the test shelf
    bus: {bit_rate: 500 kbit/s, poll: 50 Hz}
    axes:
      shelf: {node: 21, dialect: short_frame, unit: mm, lag: 5 ms, noise: 2 counts,
              scale: {counts_per_motor_rev: 65536, gear: {motor: 5, output: 1}, travel_per_output_rev: 100 mm}}
    limits:
      shelf: {travel: [0 mm, 900 mm], speed: 200 mm/s, acceleration: 800 mm/s^2, jerk: 8000 mm/s^3,
              quick_stop: 3000 mm/s^2, tracking: 3 mm}
    unhomed:
      shelf: {speed: 60 mm/s, distance: 100 mm}
    parameters:
      stroke: {value: 20 mm, allowed: [5 mm, 40 mm]}
    steps:
      - link_check: {axes: all, exchanges: 10}
      - configure: {shelf: {speed: 60 mm/s, acceleration: 800 mm/s^2, jerk: 8000 mm/s^3, quick_stop: 3000 mm/s^2}}
      - enable: all
      - move: {shelf: {by: 5 mm}}
        speed: 10 mm/s
        label: first
      - repeat: 2
        steps:
          - move: {shelf: {by: $stroke}}
            label: out
          - move: {shelf: {by: -$stroke}}
            label: back
    closing:
      - disable: all
    """)


@pytest.fixture
def recipe(tmp_path, monkeypatch) -> Path:
    """`shelf.yaml` in the current folder, which is empty otherwise."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "120")
    path = Path("shelf.yaml")
    path.write_text(RECIPE)
    return path


@pytest.fixture
def too_fast(recipe) -> Path:
    """The same with a first move above the limit of 60 mm/s before homing."""
    path = Path("fast.yaml")
    path.write_text(recipe.read_text().replace("speed: 10 mm/s", "speed: 90 mm/s"))
    return path
