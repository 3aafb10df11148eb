"""
Writes recipes at random from a seed: one or two axes, sometimes a pair, a few steps of all verbs, on a nominal machine.

Most are meant to be valid, and then `Recipe.ends` says where a run without faults leaves each axis. Some are spoilt on
purpose: those the check must refuse with findings, or run like any other.
"""

from dataclasses import dataclass, field
from fractions import Fraction
from random import Random

#: Of so many recipes one is spoilt.
SPOILT = 6
COUNTS = (16_384, 20_000, 65_536)


@dataclass(frozen=True)
class Recipe:
    """`ends`: where each homed axis stands after a run without faults, in mm; empty for a spoilt recipe."""

    text: str
    spoilt: bool
    ends: dict[str, Fraction] = field(default_factory=dict)


@dataclass
class Axis:
    name: str
    node: int
    travel: int
    speed: int
    acceleration: int
    inverted: bool
    vertical: bool
    at: Fraction | None = None  # from the machine's zero; None before homing

    @property
    def search(self) -> int:
        """
        How fast it looks for its switch, mm/s: it must come to rest before the limit switch, which lies three
        hundredths of the travel behind it on a nominal machine (practice.md P22). The ramp, its jerk, two polls of
        40 ms.
        """
        most = min(self.speed // 2, 60)
        return next(v for v in range(most, 0, -1) if v * v / (2 * self.acceleration) + v * 0.13 < self.travel * 0.03)

    @property
    def back_off(self) -> int:
        """Farther than it stops behind the switch, and back over the edge with some room, mm."""
        return self.search**2 // self.acceleration + self.search // 10 + 4


class Author:
    """One recipe; the same seed gives the same one."""

    def __init__(self, seed: int) -> None:
        self.random = Random(f"recipe {seed}")
        two = self.random.random() < 0.6
        self.pair = two and self.random.random() < 0.4
        travel = self.random.randrange(400 if self.pair else 150, 700, 10)
        speed = self.random.randrange(20, 130, 5)
        first = self._axis("left", travel, speed)
        self.axes = [first]
        if two and self.pair:
            other = self._axis("right", travel, speed)
            other.acceleration, other.vertical, first.vertical = first.acceleration, False, False
            self.axes.append(other)
        elif two:
            self.axes.append(
                self._axis("right", self.random.randrange(150, 700, 10), self.random.randrange(20, 130, 5))
            )
        self.steps: list[str] = []

    def write(self) -> Recipe:
        """The whole of it."""
        self._open()
        groups = self._groups()
        if self.random.random() < 0.7:
            for group in groups:
                self._small_move(group)
        if self.random.random() < 0.75:
            for group in groups:
                self._home(group)
        for _ in range(self.random.randrange(1, 5)):
            self.random.choice((
                self._move, self._move, self._loaded, self._loaded, self._repeat, self._dwell, self._expect,
                self._power, self._confirm, self._for_each, self._record, self._when,
            ))()  # fmt: skip
        spoilt = self.random.randrange(SPOILT) == 0
        if spoilt:
            self._spoil()
        ends = {axis.name: axis.at for axis in self.axes if axis.at is not None}
        return Recipe(self._text(), spoilt, {} if spoilt else ends)

    # --- the machine -------------------------------------------------------------------------------------------------

    def _axis(self, name: str, travel: int, speed: int) -> Axis:
        draw = self.random
        taken = {axis.node for axis in getattr(self, "axes", [])}
        node = draw.choice([node for node in range(1, 32) if node not in taken])
        acceleration = draw.randrange(200, 900, 50)
        return Axis(name, node, travel, speed, acceleration, draw.random() < 0.5, draw.random() < 0.25)

    def _groups(self) -> list[list[Axis]]:
        return [self.axes] if self.pair else [[axis] for axis in self.axes]

    def _name(self, group: list[Axis]) -> str:
        return "beam" if self.pair else group[0].name

    def _text(self) -> str:
        poll = self.random.choice((25, 50, 50, 100))
        lines = [
            "choreo: 1", "title: A recipe at random", "name: a machine at random",
            f"bus: {{bit_rate: {self.random.choice((250, 500, 1000))} kbit/s, length: 10 m, poll: {poll} Hz}}", "axes:",
        ]  # fmt: skip
        shared = self._drive()
        for axis in self.axes:
            brake = ", load: vertical, brake: {release: 40 ms, engage: 60 ms, sag: 0.1 mm}" if axis.vertical else ""
            inverted = ", inverted: true" if axis.inverted else ""
            drive = shared if self.pair else self._drive()
            lines.append(
                f"  {axis.name}: {{node: {axis.node}, dialect: short_frame, unit: mm{brake}{inverted}, {drive}}}"
            )
        if self.pair:
            lines.append("pairs: {beam: {axes: [left, right], skew: {trip: 2 mm, structural: 20 mm}}}")
        for section in (self._limits, self._unhomed, self._homing):
            lines += section()
        lines += ["positions:", *self._positions(), "steps:", *self.steps, "closing:", "  - disable: all"]
        return "\n".join(lines) + "\n"

    def _drive(self) -> str:
        gear = self.random.choice(((1, 1), (3, 1), (10, 3)))
        lead = self.random.choice(("10 mm", "25 mm", "100/3 mm"))
        return (
            f"scale: {{counts_per_motor_rev: {self.random.choice(COUNTS)}, "
            f"gear: {{motor: {gear[0]}, output: {gear[1]}}}, travel_per_output_rev: {lead}}}, "
            f"lag: {self.random.randrange(1, 9)} ms, noise: {self.random.randrange(1, 4)} counts"
        )

    def _limits(self) -> list[str]:
        return ["limits:", *(
            f"  {name}: {{travel: [0 mm, {axis.travel} mm], speed: {axis.speed} mm/s, "
            f"acceleration: {axis.acceleration} mm/s^2, jerk: {axis.acceleration * 10} mm/s^3, "
            f"quick_stop: {axis.acceleration * 3} mm/s^2, tracking: {3 + axis.speed // 20} mm}}"
            for name, axis in self._ones()
        )]  # fmt: skip

    def _unhomed(self) -> list[str]:
        return ["unhomed:", *(
            f"  {name}: {{speed: {axis.speed} mm/s, distance: {axis.travel * 12 // 10} mm}}"
            for name, axis in self._ones()
        )]  # fmt: skip

    def _homing(self) -> list[str]:
        """The nominal machine's switches lie a hundredth of the travel outside of it."""
        lines = ["homing:"]
        for name, axis in self._ones():
            up = bool(axis.node % 2)
            edge = Fraction(axis.travel * (101 if up else -1), 100)
            rest = Fraction(axis.travel - 5 if up else 5)
            at = f"{{left: {edge} mm, right: {edge} mm}}" if self.pair else f"{edge} mm"
            square = ", square_limit: 3 mm" if self.pair else ""
            lines.append(
                f"  {name}: {{towards: {'positive' if up else 'negative'}, using: home_switch, "
                f"search: {axis.search} mm/s, crawl: 4 mm/s, back_off: {axis.back_off} mm, "
                f"within: {axis.travel * 11 // 10} mm{square}, home_at: {at}, rest_at: {rest} mm}}"
            )
        return lines

    def _ones(self) -> list[tuple[str, Axis]]:
        """One for each group: what the two sides of a pair have in common stands once."""
        return [(self._name(group), group[0]) for group in self._groups()]

    def _positions(self) -> list[str]:
        middle = ", ".join(f"{name}: {axis.travel // 2} mm" for name, axis in self._ones())
        return [f"  middle: {{{middle}}}"]

    # --- the steps ---------------------------------------------------------------------------------------------------

    def _open(self) -> None:
        draw = self.random
        if draw.random() < 0.5:
            self.steps.append(f"  - link_check: {{axes: all, exchanges: {draw.randrange(1, 40)}}}")
        for name, axis in self._ones():
            speed = draw.randrange(max(axis.search + 2, axis.speed // 2), axis.speed + 1)
            following = f", following_error: {3 + axis.speed // 20} mm" if draw.random() < 0.5 else ""
            self.steps.append(
                f"  - configure: {{{name}: {{speed: {speed} mm/s, acceleration: {axis.acceleration} mm/s^2, "
                f"jerk: {axis.acceleration * 10} mm/s^3, quick_stop: {axis.acceleration * 3} mm/s^2{following}}}}}"
            )
        self.steps.append("  - enable: all")

    def _small_move(self, group: list[Axis]) -> None:
        self.steps += [
            f"  - move: {{{self._name(group)}: {{by: {self.random.randrange(2, 6)} mm}}}}",
            "    speed: 8 mm/s",
        ]

    def _home(self, group: list[Axis]) -> None:
        self.steps.append(f"  - home: {self._name(group)}")
        for axis in group:
            axis.at = Fraction(axis.travel - 5 if group[0].node % 2 else 5)

    def _some(self) -> list[list[Axis]]:
        groups = self._groups()
        return [self.random.choice(groups)] if self.random.random() < 0.5 else groups

    def _way(self, group: list[Axis]) -> str:
        """Somewhere within the travel, not far; a homed axis may be sent to a position."""
        axis = group[0]
        if axis.at is None:
            by = Fraction(self.random.randrange(-30, 60), 4)
            return f"{{by: {by} mm}}"
        low, high = max(Fraction(0), axis.at - 60), min(Fraction(axis.travel), axis.at + 60)
        target = low + (high - low) * Fraction(self.random.randrange(0, 101), 100)
        by = target - axis.at
        for one in group:
            one.at = target
        return f"{{by: {by} mm}}" if self.random.random() < 0.5 else f"{{to: {target} mm}}"

    def _moves(self, groups: list[list[Axis]]) -> str:
        return ", ".join(f"{self._name(group)}: {self._way(group)}" for group in groups)

    def _move(self) -> None:
        groups = self._some()
        self.steps.append(f"  - move: {{{self._moves(groups)}}}")
        if self.random.random() < 0.4:
            self.steps.append("    arrive: together")
        elif self.random.random() < 0.3:
            self.steps.append(f"    speed: {self.random.randrange(5, 11)} mm/s")
        if self.random.random() < 0.3:
            self.steps += ["    within: 0.2 mm", "    for: 60 ms"]

    def _loaded(self) -> None:
        groups = self._some()
        names = ", ".join(self._name(group) for group in groups)
        self.steps.append(f"  - preload: {{{self._moves(groups)}}}")
        if self.random.random() < 0.4:
            self.steps.append("    arrive: together")
        if self.random.random() < 0.3:
            self.steps.append(f"  - dwell: {self.random.randrange(1, 200)} ms")
        self.steps.append(f"  - trigger: [{names}]")
        self.steps.append(f"  - wait_for_position: {{axes: [{names}], within: 0.2 mm, for: 60 ms}}")

    def _repeat(self) -> None:
        """To and fro, so that it ends where it began."""
        name, axis = self.random.choice(self._ones())
        near_end = axis.at is not None and axis.at > axis.travel / 2
        by = self.random.randrange(1, 40) * (-1 if near_end else 1)
        self.steps += [
            f"  - repeat: {self.random.randrange(1, 4)}", "    steps:", f"      - move: {{{name}: {{by: {by} mm}}}}",
            f"      - dwell: {self.random.randrange(1, 100)} ms", f"      - move: {{{name}: {{by: {-by} mm}}}}",
        ]  # fmt: skip

    def _for_each(self) -> None:
        homed = [(name, axis) for name, axis in self._ones() if axis.at is not None]
        if not homed:
            return
        name, axis = self.random.choice(homed)
        assert axis.at is not None
        places = sorted(min(max(axis.at + step, Fraction(0)), Fraction(axis.travel)) for step in (-20, 20))
        self.steps += [
            f"  - for_each: {{place: [{places[0]} mm, {places[1]} mm]}}", "    steps:",
            f"      - move: {{{name}: {{to: $place}}}}",
        ]  # fmt: skip
        for one in self.axes if self.pair else [axis]:
            one.at = places[1]

    def _record(self) -> None:
        name, axis = self.random.choice(self._ones())
        by = -7 if axis.at is not None and axis.at > axis.travel / 2 else 7
        self.steps += [
            "  - record: to and fro", "    steps:",
            f"      - move: {{{name}: {{by: {by} mm}}}}", f"      - move: {{{name}: {{by: {-by} mm}}}}",
        ]  # fmt: skip

    def _when(self) -> None:
        above = self.random.choice((5, 15))
        self.steps += [
            f"  - when: {{value: 10 mm, above: {above} mm}}", "    steps:",
            f"      - dwell: {self.random.randrange(1, 100)} ms",
        ]  # fmt: skip

    def _dwell(self) -> None:
        self.steps.append(f"  - dwell: {self.random.randrange(1, 800)} ms")

    def _confirm(self) -> None:
        self.steps.append("  - confirm: Nobody is near the machine")

    def _expect(self) -> None:
        axis = self.random.choice(self.axes)
        if axis.at is not None:
            self.steps.append(f"  - expect: {{axis: {axis.name}, position: {axis.at} mm, within: 0.3 mm}}")

    def _power(self) -> None:
        name = self._name(self.random.choice(self._groups()))
        self.steps += [f"  - disable: {name}", f"  - dwell: {self.random.randrange(1, 300)} ms", f"  - enable: {name}"]

    def _spoil(self) -> None:
        """Drop, double or swap a line, or make a number much larger."""
        place = self.random.randrange(len(self.steps))
        match self.random.randrange(4):
            case 0:
                del self.steps[place]
            case 1:
                self.steps.insert(place, self.steps[place])
            case 2:
                other = self.random.randrange(len(self.steps))
                self.steps[place], self.steps[other] = self.steps[other], self.steps[place]
            case _:
                self.steps[place] = self.steps[place].replace(" mm", "0 mm", 1)
