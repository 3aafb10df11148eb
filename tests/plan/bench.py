"""Plans of recipes written for one test each, on the gantry of practice.md or on a machine of the test's own."""

from fractions import Fraction
from pathlib import Path

from choreo.plan.resolve import make_plan, resolve
from choreo.recipe.load import load

#: The demo machine of practice.md, with a turntable in degrees beside it.
MACHINE = """\
choreo: 1
name: gantry with a table
bus: {bit_rate: 500 kbit/s, length: 18 m, poll: 50 Hz}
axes:
  left: {node: 11, dialect: short_frame, unit: mm, lag: 8 ms, noise: 2 counts,
         scale: {counts_per_motor_rev: 65536, gear: {motor: 10, output: 1}, travel_per_output_rev: 400/3 mm}}
  right: {like: left, node: 12, inverted: true}
  carriage: {node: 13, dialect: short_frame, unit: mm, lag: 8 ms, noise: 2 counts,
             scale: {counts_per_motor_rev: 65536, gear: {motor: 8, output: 1}, travel_per_output_rev: 192 mm}}
  lift: {node: 14, dialect: short_frame, unit: mm, load: vertical, lag: 8 ms, noise: 2 counts,
         brake: {release: 40 ms, engage: 60 ms, sag: 0.1 mm},
         scale: {counts_per_motor_rev: 65536, gear: {motor: 1, output: 1}, travel_per_output_rev: 10 mm}}
  table: {node: 15, dialect: short_frame, unit: deg, noise: 3 counts,
          scale: {counts_per_motor_rev: 4096, gear: {motor: 90, output: 1}, travel_per_output_rev: 360 deg}}
pairs:
  beam: {axes: [left, right], skew: {trip: 1.5 mm, structural: 20 mm}}
limits:
  beam: {travel: [0 mm, 2400 mm], speed: 400 mm/s, acceleration: 800 mm/s^2, jerk: 8000 mm/s^3,
         quick_stop: 3000 mm/s^2, tracking: 3 mm}
  carriage: {travel: [0 mm, 1300 mm], speed: 500 mm/s, acceleration: 1500 mm/s^2, jerk: 15000 mm/s^3,
             quick_stop: 4000 mm/s^2, tracking: 2 mm}
  lift: {travel: [0 mm, 650 mm], speed: 120 mm/s, acceleration: 400 mm/s^2, jerk: 4000 mm/s^3,
         quick_stop: 1500 mm/s^2, tracking: 1 mm}
  table: {travel: [-170 deg, 170 deg], speed: 60 deg/s, acceleration: 120 deg/s^2, quick_stop: 400 deg/s^2,
          tracking: 1 deg}
unhomed:
  beam: {speed: 60 mm/s, distance: 2500 mm}
  carriage: {speed: 80 mm/s, distance: 1400 mm}
  lift: {speed: 40 mm/s, distance: 700 mm}
  table: {speed: 10 deg/s, distance: 360 deg}
homing:
  beam: {towards: negative, using: home_switch, search: 60 mm/s, crawl: 4 mm/s, back_off: 13 mm, within: 2500 mm,
         square_limit: 3 mm, home_at: {left: -8 mm, right: -6.9 mm}, rest_at: 2 mm, torque: 40 %}
  carriage: {towards: negative, using: home_switch, search: 80 mm/s, crawl: 5 mm/s, back_off: 12 mm, within: 1400 mm,
             home_at: -6 mm, rest_at: 2 mm}
  lift: {towards: positive, using: home_switch, search: 40 mm/s, crawl: 3 mm/s, back_off: 7 mm, within: 700 mm,
         home_at: 655 mm, rest_at: 648 mm}
  table: {towards: positive, using: home_switch, search: 10 deg/s, crawl: 1 deg/s, back_off: 5 deg, within: 360 deg,
          home_at: 175 deg, rest_at: 160 deg}
homing_order: [lift, [carriage, table], beam]
"""

#: The settings of practice.md's demo machine.
CONFIGURE = """\
  - configure:
      beam: {speed: 250 mm/s, acceleration: 800 mm/s^2, jerk: 8000 mm/s^3, quick_stop: 3000 mm/s^2}
      carriage: {speed: 500 mm/s, acceleration: 1500 mm/s^2, jerk: 15000 mm/s^3, quick_stop: 4000 mm/s^2}
      lift: {speed: 120 mm/s, acceleration: 400 mm/s^2, jerk: 4000 mm/s^3, quick_stop: 1500 mm/s^2}
      table: {speed: 60 deg/s, acceleration: 120 deg/s^2, jerk: 1200 deg/s^3, quick_stop: 400 deg/s^2}
"""
OPENING = f"steps:\n{CONFIGURE}  - enable: all\n  - home: all\n"
OPENING_STEPS = 6  # homing is one step of the plan for each group


class Bench:
    """A folder with a recipe and the machine file."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.write("machine.yaml", MACHINE)

    def write(self, name: str, text: str) -> Path:
        path = self.folder / name
        path.write_text(text, encoding="utf-8")
        return path

    def machine(self, old: str, new: str) -> None:
        """Change the machine file."""
        text = (self.folder / "machine.yaml").read_text(encoding="utf-8")
        assert old in text
        self.write("machine.yaml", text.replace(old, new))

    def recipe(self, body: str, overrides=None):
        """The recipe that `body` makes below the usual head."""
        path = self.write("recipe.yaml", "choreo: 1\ntitle: A test\nmachine: machine.yaml\n" + body)
        return load(path, overrides)

    def plan(self, body: str, *, pace=Fraction(1), overrides=None):
        return make_plan(self.recipe(body, overrides), pace=pace)

    def steps(self, lines: str, **given):
        """The plan's steps for `lines`, which come after the opening."""
        return self.plan(OPENING + lines, **given).steps[OPENING_STEPS:]

    def found(self, body: str, *, pace=Fraction(1)):
        """What resolving finds, as (rule, marked text)."""
        recipe = self.recipe(body)
        _, findings = resolve(recipe, pace)
        return [(finding.rule, marked(finding.primary, recipe.sources)) for finding in findings]


def marked(mark, lines) -> str:
    """The text that a mark stands under."""
    span = mark.span
    return lines[span.file][span.line - 1][span.column - 1 : span.column - 1 + span.length]
